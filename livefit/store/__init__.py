"""Where fit sessions are kept: a database, and beside it the pictures and recordings.

A rider's data is health data: everything is readable by its owner only, nothing leaves the
machine by itself, and what is deleted is gone from the file's bytes.
"""

from pathlib import Path
from typing import Final

POOLING: Final = Path(__file__).with_name("POOLING.md")
"""How to pool what many studios have measured."""
