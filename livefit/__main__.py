"""``python -m livefit``."""

from livefit.cli.main import app

app(prog_name="livefit")
