"""The error tree: every error says what happened, what is safe, and what to do next.

The command line prints those three and nothing else. `exit_status` is for scripts: 2 for a wrong command or wrong
settings, 3 if the work could not be done, 130 if stopped by the user.
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
    """The command makes no sense: no such card, a drive given as a card, an unknown name."""

    exit_status = 2


class SettingsError(TripleguardError):
    """The settings file does not parse or has an invalid value."""

    exit_status = 2


class NotSetUpError(UsageError):
    """This home has no catalog yet."""


class CatalogError(TripleguardError):
    """The catalog can't be read, is newer than this program, or stayed locked for too long."""


class PlaceBusyError(TripleguardError):
    """Another process holds the place; the message names it."""


class PlaceError(TripleguardError):
    """A place can't be used: its marker does not parse, two drives have one id, it is read-only."""


class NoDriveError(PlaceError):
    """A command found no drive that it can work on: none is connected, or none can be used."""


class PlaceUnreadableError(PlaceError):
    """A place is mounted, but its device fails, so that it can't be identified."""


class CardGoneError(TripleguardError):
    """The card was removed during the job."""


class CopyError(TripleguardError):
    """One copy could not be made. The job continues with the others."""


class NameTakenError(CopyError):
    """The final name is taken by other content; nothing was replaced."""


class SourceMismatchError(CopyError):
    """The source copy does not hold what the catalog says; nothing is made from it."""


class NoSpaceError(CopyError):
    """The place is full, except for its reserve."""


class PlaceFailedError(CopyError):
    """The place stopped responding or became read-only during the job."""


class NetworkError(CopyError):
    """The connection to an offsite place failed for now, or the server is busy; retrying makes sense."""


class UploadCorruptedError(NetworkError):
    """The server rejected a body that did not arrive as it was sent; nothing of it was kept."""


class ItemStuckError(CopyError):
    """One item fails again and again while others succeed: it is skipped, and they continue."""


class AccessDeniedError(PlaceError):
    """An offsite place denies access: credentials, permissions, a wrong clock, no such bucket."""


class CaptivePortalError(PlaceError):
    """Something else answered instead of the server: the network wants a person to sign in first."""


class StoppedError(TripleguardError):
    """The user asked to stop. Finished work is kept; running again continues from there."""

    exit_status = 130
