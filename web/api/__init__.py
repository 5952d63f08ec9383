"""The library over JSON."""
