"""Classify a file on a card by its name: its kind, the frame it belongs to, and whether it is litter.

A card holds frames. One frame is often several files with the same stem: the raw, the camera JPEG, a voice memo,
and later an editor's sidecar. A card also holds what other machines left on it: thumbnails, a trash folder,
AppleDouble files. The kind of a file decides what the rule requires for it; the frame keeps its files together;
litter stays on the card and is counted.

In doubt a file is not litter: copying one file too many costs a second, missing a picture costs the shoot.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from tripleguard.cameras.integrity.signatures import detect_format
from tripleguard.model import FileKind

LITTER_HEAD = 4096
"""Bytes from the start of a file that `is_system_litter` wants to see."""

MAX_APPLEDOUBLE_BYTES = 1 << 20
"""Bytes. A `._` file larger than this is a real file, whatever its name."""


def kind_of(name: str) -> FileKind:
    """Return the kind of a file by the extension of its name or path, ignoring case."""
    return _KINDS.get(extension_of(name), FileKind.OTHER)


def list_extensions(*kinds: FileKind) -> frozenset[str]:
    """Return the extensions of these kinds, in lower case and without the dot."""
    return frozenset(extension for extension, kind in _KINDS.items() if kind in kinds)


def extension_of(name: str) -> str:
    """Return the extension of a name or path, in lower case and without the dot; empty if there is none."""
    base = name.rpartition("/")[2]
    stem, dot, extension = base.rpartition(".")
    return extension.casefold() if dot and stem else ""


def is_litter(path: str) -> bool:
    """Return whether the file at this relative path was left by an operating system and not by a camera.

    Call it for plain files, never for a folder in order to skip it: a picture that somebody moved to a trash
    folder on the card is still a picture and no litter. For a `._X` file the name alone is not enough; see
    `is_appledouble_name`.
    """
    first, _, below = path.partition("/")
    name = path.rpartition("/")[2]
    if is_appledouble_name(path) or name.casefold() in _LITTER_NAMES:
        return True
    if not below or not _LITTER_FOLDER.fullmatch(first.casefold()):
        return False
    return not kind_of(name).is_original or bool(_BIN_INDEX.fullmatch(path))


def is_in_bin(path: str) -> bool:
    """Return whether a path lies in the trash folder of its volume, so that emptying the trash removes it."""
    first, _, below = path.partition("/")
    return bool(below) and _BIN.fullmatch(first.casefold()) is not None


def is_system_litter(path: str, size: int, read_head: Callable[[], bytes]) -> bool:
    """Return whether a plain file is litter, by its name and its first bytes.

    A camera's file stays one whatever it is called, so no name alone makes litter of a file.

    Args:
        path: relative to the root of the card.
        size: bytes.
        read_head: returns the first LITTER_HEAD bytes; if it raises OSError, the file counts as a real one.
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
    """Return whether the name is that of an AppleDouble file: `._X` beside X.

    The name is only a hint. The caller treats the file as a real one if it is larger than MAX_APPLEDOUBLE_BYTES,
    or if `is_appledouble_header` rejects its first bytes.
    """
    name = path.rpartition("/")[2]
    return name.startswith("._") and len(name) > 2


def is_appledouble_header(head: bytes) -> bool:
    """Return whether the first bytes of a file are those of an AppleDouble header file.

    Magic and version numbers: RFC 1740, appendices A and B. No picture, video or sound begins like this.
    """
    return head[:4] == b"\x00\x05\x16\x07" and head[4:8] in (b"\x00\x01\x00\x00", b"\x00\x02\x00\x00")


def parse_dcf_folder(name: str) -> int | None:
    """Return the number (100 to 999) of a camera's picture folder, such as 101 of `101CANON`.

    Return None for other names.

    Source: CIPA DC-009 (DCF 2.0): three digits, then five of `0-9 A-Z _`, ignoring case.
    """
    found = _DCF_FOLDER.fullmatch(name)
    return int(found[1]) if found else None


def is_dcf_stem(stem: str) -> bool:
    """Return whether a stem is one that a camera gives: four of `0-9 A-Z _`, then 0001 to 9999.

    Source: CIPA DC-009 (DCF 2.0). A file with another stem is copied like any other; only its number is unknown.
    """
    return _DCF_STEM.fullmatch(stem) is not None


def parse_frame_number(name: str) -> int | None:
    """Return the frame number, 1 to 9999, in the name of any file of the frame; None without one."""
    stem = _frame_stem(name)
    return int(stem[4:]) if is_dcf_stem(stem) else None


def get_frame_key(path: str) -> tuple[str, str]:
    """Return the key of the frame that a file belongs to: its folder as written, and its stem in upper case.

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

# Only at the root of a card, where systems create them; elsewhere a folder may carry any of these names.
_LITTER_FOLDER = re.compile(
    r"\.trashes|\.trash(-[0-9]+)?|\$recycle\.bin|system volume information"
    r"|\.spotlight-v100|\.fseventsd|\.temporaryitems|\.documentrevisions-v100"
)

_BIN = re.compile(r"\.trashes|\.trash(-[0-9]+)?|\$recycle\.bin")

# The index file that the trash keeps for a deleted file has that file's extension.
_BIN_INDEX = re.compile(r"\$recycle\.bin/S-[0-9-]+/\$I[0-9A-Z]{6}\.[^/]*", re.IGNORECASE)

# Both cases are spelled out because IGNORECASE also matches letters outside DCF's 37 characters.
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
