"""What can go wrong with a store, said to the person who works with it."""

from __future__ import annotations


class StoreError(ValueError):
    """The store cannot do what was asked; the text says why and what to do."""


class ConflictError(StoreError):
    """What was to be written was changed by another in the meantime; nothing was written."""


class UnknownError(StoreError):
    """There is no such rider, session or file."""


class ArchiveError(StoreError):
    """A bundle or backup that is not what it claims to be; nothing of it was taken."""
