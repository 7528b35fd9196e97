"""File signatures: which format the first bytes of a file announce, and which formats an extension allows.

A file whose first bytes contradict its name is damaged or misnamed: where a file table is broken, a name can lead
to the bytes of another file, or to none. Every extension of a raw, picture, film or sound in `kinds` is listed
here, except those whose signature is not known.

Sources of the magic numbers:

- TIFF 6.0 (Adobe, 1992), section 2: 3FR, ARQ, ARW, CR2, DCR, DCS, DNG, DRF, ERF, FFF, GPR, IIQ, K25, KDC, MEF,
  MOS, NEF, NRW, PEF, SR2, SRF, SRW and TIFF. That these raws are TIFF files: the Library of Congress's format
  descriptions (Camera Raw formats, fdd000241) and from memory.
- TIFF variants of Olympus (ORF) and Panasonic (RW2, RWL), Phase One's header, Minolta's MRW, Contax's and Rollei's
  RAW, ARRI's ARI, KDC of a camera that writes its magic number in reverse byte order: from memory, as published
  by those who read such files.
- RAF, CRW and X3F: see `walk_non_tiff_raws`.
- JPEG: ITU-T T.81, B.1.1.3. PNG: W3C PNG, 5.2. GIF: GIF89a (CompuServe, 1990), 17. WebP, AVI, WAVE: RIFF (IBM,
  Microsoft, 1991) and RFC 9649. JPEG 2000: ITU-T T.800, A.4.1 and I.5.1. JPEG XL: ISO/IEC 18181-1 and 18181-2.
- Boxes (CR3, HEIF, AVIF, MP4, MOV and others): ISO/IEC 14496-12, 4.3; QuickTime File Format (Apple).
- Matroska and WebM: RFC 8794, 11.2.1. ASF (WMV, WMA): Advanced Systems Format specification (Microsoft), 2.1.
  MXF: SMPTE ST 377-1, 6.5. MPEG: ISO/IEC 13818-1, 2.4.3 and 2.5.3. R3D, Cine: from memory.
- AIFF, FLAC (RFC 9639), Ogg (RFC 3533), CAF, AMR (RFC 4867, 5), MP3, AAC (ISO/IEC 13818-7): from memory where no
  number is given.
- FlashPix is stored in a compound file: MS-CFB, 2.2. EIP is a ZIP archive: from memory.
"""

from __future__ import annotations

from collections.abc import Callable

from tripleguard.cameras.integrity.walk_boxes import is_box_file_start
from tripleguard.cameras.integrity.walk_non_tiff_raws import RAF_START, X3F_START, is_ciff
from tripleguard.cameras.integrity.walk_streams import PACKET_EXTENSIONS, RIFF_MAGICS, detect_packet_layout
from tripleguard.cameras.tiff import BYTE_ORDERS


def detect_format(head: bytes) -> str | None:
    """Return the format that a file with these first bytes has, or None if no known format begins so."""
    return next((form for form, begins in _FORMATS.items() if begins(head)), None)


def get_allowed_formats(extension: str) -> frozenset[str] | None:
    """Return the formats that a file with this extension may have, or None if they are not known.

    Args:
        extension: in lower case, without its dot.
    """
    return _FORMATS_BY_EXTENSION.get(extension)


def is_checkable(extension: str) -> bool:
    """Return whether a walk follows every file with this extension to its end."""
    return extension in _CHECKABLE


WEAK_SIGNATURES = frozenset({"MPEG sound", "packets", "JPEG XL codestream", "swapped TIFF"})
"""Formats with a signature so short that other data or damage may look the same."""


def _match_start(*magics: bytes) -> Callable[[bytes], bool]:
    return lambda head: head.startswith(magics)


def _match_riff(form_type: bytes) -> Callable[[bytes], bool]:
    return lambda head: head.startswith(RIFF_MAGICS) and head[8:12] == form_type


def _is_r3d(head: bytes) -> bool:
    return head[4:8] in (b"RED1", b"RED2")


def _is_old_raw(head: bytes) -> bool:
    return head[25:32] == b"ARECOYK" or head.startswith(b"DSC-Image")


def _is_aiff(head: bytes) -> bool:
    return head.startswith(b"FORM") and head[8:12] in (b"AIFF", b"AIFC")


def _is_mpeg_sound(head: bytes) -> bool:
    """Return whether the head begins with an MPEG audio sync word (ISO/IEC 11172-3, 2.4.1.3) or an ID3 tag."""
    return head.startswith((b"ID3", b"ADIF")) or (head[:1] == b"\xff" and len(head) > 1 and head[1] >= 0xE0)


def _is_packets(head: bytes) -> bool:
    return detect_packet_layout(head) is not None


# The order matters where one magic number is part of another.
_FORMATS: dict[str, Callable[[bytes], bool]] = {
    "JPEG": _match_start(b"\xff\xd8"),
    "RAF": _match_start(RAF_START),
    "X3F": _match_start(X3F_START),
    "CRW": is_ciff,
    "MRW": _match_start(b"\0MRM"),
    "PNG": _match_start(b"\x89PNG\r\n\x1a\n"),
    "GIF": _match_start(b"GIF87a", b"GIF89a"),
    "JPEG 2000": _match_start(b"\0\0\0\x0cjP  \r\n\x87\n"),
    "JPEG 2000 codestream": _match_start(b"\xff\x4f\xff\x51"),
    "JPEG XL": _match_start(b"\0\0\0\x0cJXL \r\n\x87\n"),
    "JPEG XL codestream": _match_start(b"\xff\x0a"),
    "boxes": is_box_file_start,
    "TIFF": lambda head: head[:4] in BYTE_ORDERS,
    "large TIFF": _match_start(b"II+\0", b"MM\0+"),
    "swapped TIFF": _match_start(b"II\0*", b"MM*\0"),
    "Phase One": _match_start(b"IIII", b"MMMM"),
    "old raw": _is_old_raw,
    "ARRI": _match_start(b"ARRI"),
    "WebP": _match_riff(b"WEBP"),
    "WAVE": _match_riff(b"WAVE"),
    "AVI": _match_riff(b"AVI "),
    "Matroska": _match_start(b"\x1a\x45\xdf\xa3"),
    "ASF": _match_start(bytes.fromhex("3026b2758e66cf11a6d900aa0062ce6c")),
    "MXF": _match_start(b"\x06\x0e\x2b\x34"),
    "MPEG": _match_start(b"\0\0\1\xba", b"\0\0\1\xb3"),
    "R3D": _is_r3d,
    "Cine": _match_start(b"CI\x2c\0"),
    "compound file": _match_start(bytes.fromhex("d0cf11e0a1b11ae1")),
    "ZIP": _match_start(b"PK\3\4"),
    "AIFF": _is_aiff,
    "FLAC": _match_start(b"fLaC"),
    "Ogg": _match_start(b"OggS"),
    "CAF": _match_start(b"caff"),
    "AMR": _match_start(b"#!AMR"),
    "packets": _is_packets,
    "MPEG sound": _is_mpeg_sound,
}

_EXTENSIONS = {
    # Phones name the pictures they export .jpg, whatever their format.
    "JPEG": "jpg jpeg jpe heic heif hif insp mpo",
    "TIFF": """
        tif tiff dng nef nrw cr2 arw arq sr2 srf srw pef orf ori rw2 rwl gpr raw
        3fr fff iiq cap mef mos erf dcr dcs drf k25 kdc
    """,
    "large TIFF": "tif tiff dng",
    "swapped TIFF": "kdc",
    "Phase One": "iiq cap mos",
    "old raw": "raw",
    "ARRI": "ari",
    "RAF": "raf",
    "CRW": "crw",
    "X3F": "x3f",
    "MRW": "mrw",
    "boxes": """
        cr3 heic heif hif avif jpg jpeg jpe mp4 mov m4v 3gp 360 insv lrv crm braw nev m4a aac
    """,
    "PNG": "png",
    "GIF": "gif",
    "WebP": "webp",
    "JPEG 2000": "jp2 jpf jpx",
    "JPEG 2000 codestream": "j2k jp2",
    "JPEG XL": "jxl",
    "JPEG XL codestream": "jxl",
    "AVI": "avi",
    "WAVE": "wav bwf",
    "Matroska": "mkv webm",
    "ASF": "wmv wma",
    "MXF": "mxf",
    "MPEG": "mpg mpeg mod",
    "R3D": "r3d",
    "Cine": "cine",
    "compound file": "fpx",
    "ZIP": "eip",
    "AIFF": "aif aiff",
    "FLAC": "flac",
    "Ogg": "oga ogg opus",
    "CAF": "caf",
    "AMR": "amr",
    "packets": " ".join((*PACKET_EXTENSIONS, "mpg", "mpeg", "mod", "tod")),
    "MPEG sound": "mp3 aac",
}

_FORMATS_BY_EXTENSION: dict[str, frozenset[str]] = {
    extension: frozenset(form for form, others in _EXTENSIONS.items() if extension in others.split())
    for names in _EXTENSIONS.values()
    for extension in names.split()
}

_CHECKABLE_WORDS = """
    jpg jpeg jpe insp mpo tif tiff png gif webp jp2 heic heif hif avif
    3fr arq arw cr2 cr3 crw dng erf fff gpr mef mrw nef nrw orf ori pef raf sr2 srw x3f
    avi mp4 mov m4v 3gp 360 insv lrv wav bwf
"""
_CHECKABLE = frozenset(_CHECKABLE_WORDS.split())
"""Extensions of formats that state where their image data is and how long.

Files of other kinds may be uncheckable.
"""
