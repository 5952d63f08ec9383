"""Pages to log a fight and to make one."""
