"""Errors of whichside: one base class; each says what, where and what to do next."""

from __future__ import annotations


class WhichsideError(Exception):
    """Base of every error a user can meet.

    `what` states the fault, `where` is a file (or file:line), `next_step` is the cure.
    """

    exit_code = 1

    def __init__(
        self, what: str, *, where: str | None = None, next_step: str | None = None
    ) -> None:
        self.what = what
        self.where = where
        self.next_step = next_step
        parts = [f"{where}: {what}" if where else what]
        if next_step:
            parts.append(f"What to do: {next_step}")
        super().__init__("\n".join(parts))


class DeliveryError(WhichsideError):
    """A delivery or one of its files cannot be read at all."""

    exit_code = 3


class SchemaError(WhichsideError):
    """A frame or table does not have the declared columns and types."""

    exit_code = 4


class StoreError(WhichsideError):
    """The warehouse or the decisions store cannot be opened, is locked, or is damaged."""

    exit_code = 5


HELD = "another run is writing this warehouse"


def is_held(error: StoreError) -> bool:
    """Whether the store was only busy: the same call may succeed in a while."""
    return HELD in error.what


class SettingsError(WhichsideError):
    """A setting is unknown or out of range."""

    exit_code = 6


class NotEnoughDataError(WhichsideError):
    """A question cannot be asked of this data (nothing in the week, no attempts)."""

    exit_code = 7


class ConflictError(WhichsideError):
    """Someone else decided on the same vehicle meanwhile."""

    exit_code = 5


class DecisionError(WhichsideError):
    """A decision or finding is not one of ours.

    An unknown word, or something that must be said and was not.
    """

    exit_code = 2
