"""Logs: what somebody wrote down about a fight. CSV, WebVTT and JSON Lines, read and written."""

from cliplib.logs.reading import LogReading, read_lines, read_log
from cliplib.logs.said import as_said
from cliplib.logs.writing import FORMATS, write_log

__all__ = ["FORMATS", "LogReading", "as_said", "read_lines", "read_log", "write_log"]
