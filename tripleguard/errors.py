"""The error tree: every error says what happened, what is safe, and what to do next.

The command line prints those three and nothing else. `exit_status` is what a script sees: 2 the command or the
settings are wrong, 3 the work could not be done, 130 stopped by the user.
"""

from __future__ import annotations


class TripleguardError(Exception):
    """Root of the tree. what: what happened; safe: what is not at risk; do: the next step."""

    exit_status = 3

    def __init__(self, what: str, *, safe: str = "", do: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.safe = safe
        self.do = do

    def __str__(self) -> str:
        return " ".join(part for part in (self.what, self.safe, self.do) if part)


class UsageError(TripleguardError):
    """The command can't mean what was typed: no such card, a drive given as a card, an unknown name."""

    exit_status = 2


class SettingsError(TripleguardError):
    """The settings file does not parse or holds a value of the wrong kind."""

    exit_status = 2


class NotSetUpError(UsageError):
    """There is no catalog in this home yet."""


class CatalogError(TripleguardError):
    """The catalog can't be read, is newer than this program, or stayed locked for too long."""


class PlaceBusyError(TripleguardError):
    """Another process holds the place; the message names it."""


class PlaceError(TripleguardError):
    """A place can't be used: its marker does not parse, two drives have one id, it is read-only."""


class NoDriveError(PlaceError):
    """A command found no drive that it can work on: none is connected, or none can be used."""


class PlaceUnreadableError(PlaceError):
    """A place is mounted, but its device answers with errors, so that it can't even be said which one it is."""


class CardGoneError(TripleguardError):
    """The card went away in the middle."""


class CopyError(TripleguardError):
    """One copy could not be made. The job goes on with the others."""


class NameTakenError(CopyError):
    """The final name belongs to something else already; nothing was replaced."""


class SourceMismatchError(CopyError):
    """The copy that was to be the source does not hold what the catalog says; nothing is made from it."""


class NoSpaceError(CopyError):
    """The place is full, or what is left is kept in reserve."""


class PlaceFailedError(CopyError):
    """The place stopped answering or became read-only in the middle of the work."""


class NetworkError(CopyError):
    """The way to an offsite place failed for now: a cut or stalled line, a busy server. Trying again is right."""


class UploadCorruptedError(NetworkError):
    """The server refused a body because it did not arrive as it was sent. Nothing of it was kept."""


class ItemStuckError(CopyError):
    """One thing does not get through, again and again, while others do: it is left, and they go on."""


class AccessDeniedError(PlaceError):
    """An offsite place refuses us: credentials, permissions, a clock that is off, no such bucket."""


class CaptivePortalError(PlaceError):
    """Somebody else answered in the server's stead: the network wants a person to sign in first."""


class StoppedError(TripleguardError):
    """The user asked to stop. What was finished is kept; running again goes on from there."""

    exit_status = 130
