"""What everything stands on: errors, exact time, the project's words as data, progress, settings."""
