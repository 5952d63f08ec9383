"""Services that write down: logs in the library, new fights, corrections."""
