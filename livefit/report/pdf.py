"""The page on paper: the same HTML as a tagged PDF."""

from __future__ import annotations

import logging

ON_DEBIAN = "apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"


class NoPaperError(ValueError):
    """What sets type for paper is missing; the text says how to get it."""


def pdf_of(html: str) -> bytes:
    """Set a report for paper; nothing is fetched, from this machine or any other.

    Raises
    ------
    NoPaperError
        Pango is not installed.
    """
    try:
        from weasyprint import HTML
        from weasyprint.urls import URLFetcher
    except OSError as error:
        raise NoPaperError(
            f"a PDF needs the library Pango (on Debian or Ubuntu: {ON_DEBIAN}). Without it, --html "
            f"writes the same report for a browser, which prints it too. ({error})"
        ) from error
    for name in ("weasyprint", "fontTools"):
        logging.getLogger(name).setLevel(logging.ERROR)
    document = HTML(string=html, url_fetcher=URLFetcher(allowed_protocols={"data"}))
    return bytes(document.write_pdf(pdf_tags=True))
