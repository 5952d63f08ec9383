"""Logs: what somebody wrote down about a fight. CSV, WebVTT and JSON Lines, read and written."""

from cliplib.logs.reading import LogReading, read_log

__all__ = ["LogReading", "read_log"]
