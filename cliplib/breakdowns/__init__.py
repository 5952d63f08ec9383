"""Breakdowns: an argument in points, each said and shown, made into one film."""
