"""Sessions read from files, reports made of them, and private files written."""

from __future__ import annotations

from pathlib import Path

from platformdirs import user_config_path
from pydantic import ValidationError

from livefit.definitions import Definitions
from livefit.definitions.studio import Studio
from livefit.report.document import Report
from livefit.report.names import Names, read_tables
from livefit.report.words import Words
from livefit.session.models import FitSession


def read_session(path: Path) -> FitSession:
    """Read one session's document.

    Raises
    ------
    ValueError
        It is no such document: one line that says where it goes wrong.
    OSError
        It cannot be read.
    """
    try:
        return FitSession.model_validate_json(path.read_bytes())
    except ValidationError as error:
        first, *others = error.errors(include_url=False, include_context=False)
        where = ".".join(str(part) for part in first["loc"])
        place = f" at {where}" if where else ""
        more = f" (and {len(others)} more like it)" if others else ""
        raise ValueError(
            f"{path}: expected a session's document, found a fault{place}: {first['msg']}{more}"
        ) from error


def make_report(
    session: FitSession,
    definitions: Definitions,
    studio: Studio,
    *,
    user_dir: Path | None = None,
    pictures_dir: Path | None = None,
    earlier: FitSession | None = None,
) -> Report:
    """Make the report of a session.

    Parameters
    ----------
    session, definitions, studio
        What it is made of. Language, decimal mark and paper are the studio's.
    user_dir
        The fitter's own directory: words, questions and dimensions there go over the shipped ones.
        None = the user's configuration directory of the operating system.
    pictures_dir
        Where the session's pictures are.
    earlier
        A session to compare with.

    Raises
    ------
    DefinitionError
        There are no words in the studio's language, or a file of them is broken.
    """
    own = user_config_path("livefit") if user_dir is None else user_dir
    names = Names(
        Words(studio.language, studio.decimal, own),
        definitions,
        read_tables("questions.toml", own),
        read_tables("set_up.toml", own),
    )
    return Report(session, names, studio, pictures_dir, earlier)
