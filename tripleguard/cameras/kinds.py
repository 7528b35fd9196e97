"""Classify a file on a card by its name: its kind, the frame it belongs to, and whether it is litter.

A card holds frames. One frame is often several files of one name: the raw, the camera JPEG, a spoken note, and
later an editor's sidecar. Around them lies what other machines left when the card was plugged in: thumbnails, a
trash can, half of a Mac file. The kind of a file decides what the rule asks for it; the frame keeps its parts
together; litter stays on the card and is counted.

In doubt a file is not litter: copying one file too many costs a second, leaving a picture behind costs the night.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from tripleguard.cameras.integrity.signatures import detect_format
from tripleguard.model import FileKind

LITTER_HEAD = 4096
"""Bytes from the start of a file that `is_system_litter` wants to see."""

MAX_APPLEDOUBLE_BYTES = 1 << 20
"""Bytes. A `._` file above this size is a real file, whatever its name."""


def kind_of(name: str) -> FileKind:
    """What sort of file this is, by the extension of its name or path, without regard to case."""
    return _KINDS.get(extension_of(name), FileKind.OTHER)


def list_extensions(*kinds: FileKind) -> frozenset[str]:
    """Return the extensions, in small letters and without their dot, of files of these kinds."""
    return frozenset(extension for extension, kind in _KINDS.items() if kind in kinds)


def extension_of(name: str) -> str:
    """The extension of a name or path, without its dot and in small letters; empty without one."""
    base = name.rpartition("/")[2]
    stem, dot, extension = base.rpartition(".")
    return extension.casefold() if dot and stem else ""


def is_litter(path: str) -> bool:
    """Whether a file of this relative path was left by an operating system and not by a camera.

    Ask it about plain files, never about a folder in order to skip it: a picture that somebody put into a
    trash can on the card is still a picture, and answers False here. Of a `._X` file the name alone can't
    tell; see `is_appledouble_name`.
    """
    first, _, below = path.partition("/")
    name = path.rpartition("/")[2]
    if is_appledouble_name(path) or name.casefold() in _LITTER_NAMES:
        return True
    if not below or not _LITTER_FOLDER.fullmatch(first.casefold()):
        return False
    return not kind_of(name).is_original or bool(_BIN_INDEX.fullmatch(path))


def is_in_bin(path: str) -> bool:
    """Whether a relative path lies in a bin at the top of a volume: whoever empties it removes the file."""
    first, _, below = path.partition("/")
    return bool(below) and _BIN.fullmatch(first.casefold()) is not None


def is_system_litter(path: str, size: int, read_head: Callable[[], bytes]) -> bool:
    """Whether a plain file of size bytes is litter, by its name and by its first bytes.

    A camera's file stays one whatever it is called, so no name alone makes litter of a file.

    Args:
        head: Gives its first LITTER_HEAD bytes. Where it raises OSError the file is taken for a real one.
    """
    if not is_litter(path):
        return False
    try:
        start = read_head()
    except OSError:
        return False
    if is_appledouble_name(path):
        return size <= MAX_APPLEDOUBLE_BYTES and is_appledouble_header(start)
    form = detect_format(start)
    # The cache of thumbnails is a compound file (MS-CFB), as a FlashPix picture is.
    is_thumbnail_cache = form == "compound file" and path.rpartition("/")[2].casefold() in _THUMBNAIL_CACHES
    return form is None or is_thumbnail_cache or _is_utf16_text(start)


def is_appledouble_name(path: str) -> bool:
    """Whether this is named like the half of a Mac file that other file systems can't hold: `._X` beside X.

    The name is only a hint. The caller treats the file as a real one where it is over APPLEDOUBLE_LARGEST, or
    where `is_appledouble_header` says no to its first bytes.
    """
    name = path.rpartition("/")[2]
    return name.startswith("._") and len(name) > 2


def is_appledouble_header(head: bytes) -> bool:
    """Whether a file that begins so is an AppleDouble header file.

    Magic and version numbers: RFC 1740, appendices A and B. No picture, video or sound begins like this.
    """
    return head[:4] == b"\x00\x05\x16\x07" and head[4:8] in (b"\x00\x01\x00\x00", b"\x00\x02\x00\x00")


def parse_dcf_folder(name: str) -> int | None:
    """The number (100 to 999) of a camera's picture folder, such as 101 of `101CANON`; None if it is not one.

    Source: CIPA DC-009 (DCF 2.0): three digits, then five of `0-9 A-Z _`, without regard to case.
    """
    found = _DCF_FOLDER.fullmatch(name)
    return int(found[1]) if found else None


def is_dcf_stem(stem: str) -> bool:
    """Whether a name without its extension is one a camera gives: four of `0-9 A-Z _`, then 0001 to 9999.

    Source: CIPA DC-009 (DCF 2.0). A name that fails is copied like any other; only its number is unknown.
    """
    return _DCF_STEM.fullmatch(stem) is not None


def parse_frame_number(name: str) -> int | None:
    """The camera's own number of a frame, 1 to 9999, from the name of any file of it; None without one."""
    stem = _frame_stem(name)
    return int(stem[4:]) if is_dcf_stem(stem) else None


def get_frame_key(path: str) -> tuple[str, str]:
    """The frame a file belongs to: its folder as written, and its upper-cased stem.

    `IMG_0001.CR3`, `IMG_0001.JPG`, `IMG_0001.xmp` and `IMG_0001.CR3.xmp` in one folder share one key.
    """
    folder, _, name = path.rpartition("/")
    return folder, _frame_stem(name).upper()


_RAW = """
    3fr ari arq arw bay cap cr2 cr3 crw cs1 dcr dcs dng drf eip erf fff gpr iiq k25 kdc mdc mef mos mrw nef
    nrw orf ori pef raf raw rw2 rwl sr2 srf srw x3f
"""
_PICTURE = "avif fpx gif heic heif hif insp j2k jp2 jpe jpeg jpf jpg jpx jxl mpo png tif tiff webp"
_VIDEO = """
    360 3gp avi braw cine crm insv lrv m2t m2ts m4v mkv mod mov mp4 mpeg mpg mts mxf nev r3d rmf tod webm wmv
"""
_SOUND = "aac aif aiff amr bwf caf flac m4a mp3 oga ogg opus wav wma"
_COMPANION = "xmp"

_KINDS: dict[str, FileKind] = {
    extension: kind
    for kind, extensions in (
        (FileKind.RAW, _RAW),
        (FileKind.PICTURE, _PICTURE),
        (FileKind.VIDEO, _VIDEO),
        (FileKind.SOUND, _SOUND),
        (FileKind.COMPANION, _COMPANION),
    )
    for extension in extensions.split()
}

_THUMBNAIL_CACHES = frozenset({"thumbs.db", "ehthumbs.db"})
_LITTER_NAMES = frozenset({".ds_store", "desktop.ini"}) | _THUMBNAIL_CACHES

# Only at the root of a card: that is where the systems put them, and a user may name a folder as they like.
_LITTER_FOLDER = re.compile(
    r"\.trashes|\.trash(-[0-9]+)?|\$recycle\.bin|system volume information"
    r"|\.spotlight-v100|\.fseventsd|\.temporaryitems|\.documentrevisions-v100"
)

_BIN = re.compile(r"\.trashes|\.trash(-[0-9]+)?|\$recycle\.bin")

# The bin's own note of where a deleted file came from keeps that file's extension.
_BIN_INDEX = re.compile(r"\$recycle\.bin/S-[0-9-]+/\$I[0-9A-Z]{6}\.[^/]*", re.IGNORECASE)

# Both cases are spelled out: a pattern that ignores case also takes letters from outside the 37 of DCF.
_DCF_FOLDER = re.compile(r"([1-9][0-9]{2})[0-9A-Za-z_]{5}")
_DCF_STEM = re.compile(r"[0-9A-Za-z_]{4}(?!0000)[0-9]{4}")


def _is_utf16_text(head: bytes) -> bool:
    """Whether this begins as Latin text in UTF-16 does, whose byte order mark looks like MPEG sound."""
    return head.startswith(b"\xff\xfe") and not any(head[3:9:2])


def _frame_stem(name: str) -> str:
    stem = _stem(name)
    if kind_of(name) is FileKind.COMPANION and kind_of(stem).is_original:
        stem = _stem(stem)
    return stem


def _stem(name: str) -> str:
    stem, dot, _ = name.rpartition(".")
    return stem if dot and stem else name
