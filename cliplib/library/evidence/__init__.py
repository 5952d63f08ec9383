"""Services that count: tables, their definitions, agreement, reports."""
