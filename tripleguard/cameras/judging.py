"""Decodes a whole picture, to see what its structure can't show.

Blocks that are exchanged, or come from elsewhere, keep a file's structure whole: only who decodes it stumbles.
JPEG pictures are judged by libjpeg-turbo with every warning taken for an error, raws by LibRaw, HEIF pictures by
libde265, and PNG, GIF, WebP, AVIF, JPEG 2000 and TIFF by what Pillow carries. All are native code and read what
came from outside, so this runs in a process that can be killed (`work/decoding/decoder.py`), and looks at width
times height before anything is unpacked. What they can't read is no damage.

Needs the extra `decode`. LibRaw accepts some damaged files in silence, and no decoder can see damage in image data
that is not compressed: a picture that decodes is whole as far as can be told, and no further.
"""

from __future__ import annotations

import importlib.util
import io
import re
import warnings
from dataclasses import dataclass

from tripleguard.cameras import hevc
from tripleguard.cameras.heif_items import coded_pictures
from tripleguard.cameras.kinds import kind_of
from tripleguard.cameras.wholeness import look_through
from tripleguard.model import Flaw, Kind

MOST_PIXELS = 400_000_000
"""Pixels of a picture that is unpacked; the largest cameras write have 150 to 250 million."""

MOST_PICTURES = 4
"""JPEG pictures that are decoded of one file: the full one, and a few previews."""


@dataclass(frozen=True, slots=True)
class Judged:
    """What decoding told. decoded: all that could be was; why: what could not, in plain words."""

    flaws: tuple[Flaw, ...] = ()
    decoded: bool = False
    why: str = ""


def decoders_installed() -> bool:
    """Whether the decoders are there, without the cost of loading them."""
    return all(importlib.util.find_spec(name) is not None for name in ("rawpy", "simplejpeg"))


def can_judge() -> bool:
    """Whether the decoders are installed."""
    try:
        import rawpy  # noqa: F401
        import simplejpeg  # noqa: F401
    except ImportError:
        return False
    return True


def judge(name: str, content: bytes) -> Judged:
    """Decode a picture that is in memory whole. Raises MemoryError."""
    spans = sorted(look_through(name, content)[1].pictures, key=lambda span: span[0] - span[1])[:MOST_PICTURES]
    if content.startswith(_JPEG_START) and not any(start == 0 for start, _ in spans):
        # The walk did not come to its end; a decoder may, and says more about what is wrong.
        spans.insert(0, (0, len(content)))
    is_raw = kind_of(name) is Kind.RAW and not content.startswith(_JPEG_START)
    flaws: list[Flaw] = []
    whys: list[str] = []
    decoded = False
    for start, end in spans:
        found, why = _judge_jpeg(content[start:end], main=start == 0)
        decoded = decoded or not why
        flaws += found
        whys += [why] if why else []
    if is_raw or not spans:
        found, why = _judge_raw(content) if is_raw else _judge_other(content)
        decoded = not why
        flaws += found
        whys = [why] if why else []
    return Judged(tuple(flaws), decoded, "; ".join(whys))


_JPEG_START = b"\xff\xd8"


def _judge_jpeg(content: bytes, *, main: bool) -> tuple[list[Flaw], str]:
    """Flaws of one JPEG picture, or why it was not decoded. main: it is the file itself, not a preview in it."""
    import simplejpeg

    what = "picture" if main else "preview"
    try:
        height, width, *_ = simplejpeg.decode_jpeg_header(content)
        if height * width > MOST_PIXELS:
            return [], f"its {what} has more than {MOST_PIXELS:,} pixels"
        # Grey: every coefficient is read all the same, and less memory is taken.
        simplejpeg.decode_jpeg(content, colorspace="GRAY", fastdct=True, fastupsample=True, strict=True)
    except ValueError as error:
        said = " ".join(str(error).split())[:120]
        if not _DAMAGE.search(said):
            return [], f"its {what} is of a kind that the decoder does not read ({said})"
        sign = f"{what} does not decode: {re.sub(r'0x[0-9a-f]+|[0-9]+', 'N', said)}"
        return [Flaw(grave=main, sign=sign, why=f"its {what} does not decode without faults ({said})")], ""
    return [], ""


# What libjpeg says of damage (its jerror.h); its other words are about what it can't do.
_DAMAGE = re.compile(
    "Corrupt JPEG data|Premature end|Unsupported marker|Bogus|Invalid JPEG file|Invalid SOS|Not a JPEG"
    "|Inconsistent progression|was not defined|two SO[IF]|Invalid component"
)


def _judge_other(content: bytes) -> tuple[list[Flaw], str]:
    """Return the flaws of a picture that is neither JPEG nor raw, or why it was not decoded."""
    if content[4:8] == b"ftyp" and hevc.is_installed():
        found = list(coded_pictures(content))
        if found:
            return _judge_hevc(found)
    return _judge_by_pillow(content)


def _judge_hevc(pictures: list[list[bytes]]) -> tuple[list[Flaw], str]:
    """Return the flaws of the coded pictures of a HEIF file: the main one, or its tiles, and smaller ones."""
    for units in pictures:
        width, height = hevc.largest_size(units)
        if width * height > MOST_PIXELS:
            return [], f"it has more than {MOST_PIXELS:,} pixels"
        damage, why = hevc.decode(units)
        if damage:
            said = f"its picture does not decode without faults ({damage[0]})"
            return [Flaw(grave=True, sign="picture does not decode", why=said)], ""
        if why:
            return [], f"its picture is of a kind that the decoder does not read ({why})"
    return [], ""


def _judge_by_pillow(content: bytes) -> tuple[list[Flaw], str]:
    """Return the flaws of a picture that Pillow reads, or why it was not decoded."""
    from PIL import Image, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            # It warns of large pictures, and of metadata that nobody here asks for.
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(content), formats=_PILLOW_FORMATS) as picture:
                if picture.width * picture.height > MOST_PIXELS:
                    return [], f"it has more than {MOST_PIXELS:,} pixels"
                picture.load()
    except (UnidentifiedImageError, Image.DecompressionBombError, NotImplementedError):
        return [], "no decoder here reads this kind of picture"
    except (OSError, SyntaxError, ValueError, EOFError, IndexError, RuntimeError) as error:
        said = " ".join(str(error).split())[:120]
        if _NOT_READ.search(said):
            return [], f"it is of a kind that the decoder does not read ({said})"
        # Not grave: what Pillow stumbles over may be a form that it does not know.
        why = f"its picture does not decode without faults ({said})"
        return [Flaw(grave=False, sign="picture does not decode", why=why)], ""
    return [], ""


_PILLOW_FORMATS = ("PNG", "GIF", "WEBP", "AVIF", "JPEG2000", "TIFF")
_NOT_READ = re.compile(
    "not available|unsupported|not supported|not implemented|unknown|cannot handle", re.IGNORECASE
)


def _judge_raw(content: bytes) -> tuple[list[Flaw], str]:
    """Flaws of a raw's image data, or why it was not decoded."""
    import rawpy

    try:
        with rawpy.imread(io.BytesIO(content)) as raw:
            sizes = raw.sizes
            if sizes.raw_width * sizes.raw_height > MOST_PIXELS:
                return [], f"it has more than {MOST_PIXELS:,} pixels"
            # Unpacks it; the values themselves are of no interest here.
            _ = raw.raw_image
    except (rawpy.LibRawDataError, rawpy.LibRawIOError) as error:
        why = f"its image data does not decode ({_said(error)})"
        return [Flaw(grave=True, sign="image data does not decode", why=why)], ""
    except rawpy.LibRawFatalError as error:
        return [], f"LibRaw gave up on it ({_said(error)})"
    except rawpy.LibRawError as error:
        return [], f"LibRaw does not know it ({_said(error)})"
    return [], ""


def _said(error: Exception) -> str:
    words = error.args[0] if error.args else ""
    text = words.decode("ascii", "replace") if isinstance(words, bytes) else str(words)
    return text or type(error).__name__
