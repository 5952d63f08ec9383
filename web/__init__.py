"""The pages: a Flask application over `cliplib.library`. Installed, this package is called `cliplib_web`."""

from .app import create_app
from .site.serve import addresses, run

__all__ = ["addresses", "create_app", "run"]
