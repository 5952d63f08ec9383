"""Services that look after a library: check, backup, forgetting, pass phrases."""
