"""Logs: what somebody wrote down about a fight, read and written in every form that `forms` lists."""

from cliplib.logs import forms
from cliplib.logs.reading import LogReading, read_lines, read_log
from cliplib.logs.said import as_said
from cliplib.logs.writing import write_log

log_forms = forms
"""The name under which `cliplib` offers the table."""

__all__ = ["LogReading", "as_said", "log_forms", "read_lines", "read_log", "write_log"]
