"""Decode a whole picture to find damage that its structure can't show.

Blocks that were exchanged, or come from another file, leave the structure of a file intact: only decoding finds
them. libjpeg-turbo checks JPEG pictures, with every warning treated as an error; LibRaw checks raws, libde265 HEIF
pictures, and Pillow PNG, GIF, WebP, AVIF, JPEG 2000 and TIFF. All are native code and read untrusted bytes, so
this runs in a process that can be killed, and checks width times height before it decodes. A format that they
can't read is not damage.

Needs the extra `inspect`. LibRaw accepts some damaged files without an error, and no decoder can see damage in
uncompressed image data: a picture that decodes has no damage that a decoder can find, and no more is known.
"""

from __future__ import annotations

import importlib.util
import io
import re
import warnings
from dataclasses import dataclass

from tripleguard.cameras.integrity import hevc_decoder
from tripleguard.cameras.integrity.checker import check_integrity
from tripleguard.cameras.integrity.heif_items import extract_coded_pictures
from tripleguard.cameras.kinds import kind_of
from tripleguard.model import FileKind, IntegrityFlaw

MAX_PIXELS = 400_000_000
"""Pixels of the largest picture that is decoded; the largest that cameras write have 150 to 250 million."""

MAX_PICTURES = 4
"""JPEG pictures decoded in one file: the full one, and a few previews."""


@dataclass(frozen=True, slots=True)
class DecodeCheck:
    """The result of decoding a file.

    Attributes:
        flaws: the damage found.
        is_decoded: whether everything decodable was decoded.
        reason: why something was not decoded, in plain words; empty if all was.
    """

    flaws: tuple[IntegrityFlaw, ...] = ()
    is_decoded: bool = False
    reason: str = ""


def has_decoders_installed() -> bool:
    """Return whether the decoders are installed, without loading them."""
    return all(importlib.util.find_spec(name) is not None for name in ("rawpy", "simplejpeg"))


def can_load_decoders() -> bool:
    """Return whether the decoders can be loaded."""
    try:
        import rawpy  # noqa: F401
        import simplejpeg  # noqa: F401
    except ImportError:
        return False
    return True


def check_by_decoding(name: str, content: bytes) -> DecodeCheck:
    """Decode a picture that is wholly in memory. Raises MemoryError."""
    spans = sorted(check_integrity(name, content)[1].jpeg_spans, key=lambda span: span[0] - span[1])[:MAX_PICTURES]
    if content.startswith(_JPEG_START) and not any(start == 0 for start, _ in spans):
        # The walk did not reach the end of the JPEG; a decoder says more about what is wrong.
        spans.insert(0, (0, len(content)))
    is_raw = kind_of(name) is FileKind.RAW and not content.startswith(_JPEG_START)
    flaws: list[IntegrityFlaw] = []
    reasons: list[str] = []
    decoded = False
    for start, end in spans:
        found, why = _check_jpeg(content[start:end], is_main=start == 0)
        decoded = decoded or not why
        flaws += found
        reasons += [why] if why else []
    if is_raw or not spans:
        found, why = _check_raw(content) if is_raw else _check_other(content)
        decoded = not why
        flaws += found
        reasons = [why] if why else []
    return DecodeCheck(tuple(flaws), decoded, "; ".join(reasons))


_JPEG_START = b"\xff\xd8"


def _check_jpeg(content: bytes, *, is_main: bool) -> tuple[list[IntegrityFlaw], str]:
    """Return the flaws of one JPEG picture, or why it was not decoded.

    Args:
        content: the JPEG.
        is_main: it is the file itself, not a preview.
    """
    import simplejpeg

    what = "picture" if is_main else "preview"
    try:
        height, width, *_ = simplejpeg.decode_jpeg_header(content)
        if height * width > MAX_PIXELS:
            return [], f"its {what} has more than {MAX_PIXELS:,} pixels"
        # Decoding to grey reads every coefficient all the same, and needs less memory.
        simplejpeg.decode_jpeg(content, colorspace="GRAY", fastdct=True, fastupsample=True, strict=True)
    except ValueError as error:
        message = " ".join(str(error).split())[:120]
        if not _DAMAGE_WORDS.search(message):
            return [], f"its {what} is of a kind that the decoder does not read ({message})"
        sign = f"{what} does not decode: {re.sub(r'0x[0-9a-f]+|[0-9]+', 'N', message)}"
        return [
            IntegrityFlaw(
                is_grave=is_main, sign=sign, explanation=f"its {what} does not decode without faults ({message})"
            )
        ], ""
    return [], ""


# libjpeg's messages about damage (its jerror.h); the others are about features that it lacks.
_DAMAGE_WORDS = re.compile(
    "Corrupt JPEG data|Premature end|Unsupported marker|Bogus|Invalid JPEG file|Invalid SOS|Not a JPEG"
    "|Inconsistent progression|was not defined|two SO[IF]|Invalid component"
)


def _check_other(content: bytes) -> tuple[list[IntegrityFlaw], str]:
    """Return the flaws of a picture that is neither JPEG nor raw, or why it was not decoded."""
    if content[4:8] == b"ftyp" and hevc_decoder.is_installed():
        found = list(extract_coded_pictures(content))
        if found:
            return _check_hevc(found)
    return _check_with_pillow(content)


def _check_hevc(pictures: list[list[bytes]]) -> tuple[list[IntegrityFlaw], str]:
    """Return the flaws of the coded pictures of a HEIF file: the main one, or its tiles, and smaller ones."""
    for units in pictures:
        width, height = hevc_decoder.read_largest_size(units)
        if width * height > MAX_PIXELS:
            return [], f"it has more than {MAX_PIXELS:,} pixels"
        damage, why = hevc_decoder.decode_picture(units)
        if damage:
            message = f"its picture does not decode without faults ({damage[0]})"
            return [IntegrityFlaw(is_grave=True, sign="picture does not decode", explanation=message)], ""
        if why:
            return [], f"its picture is of a kind that the decoder does not read ({why})"
    return [], ""


def _check_with_pillow(content: bytes) -> tuple[list[IntegrityFlaw], str]:
    """Return the flaws of a picture that Pillow reads, or why it was not decoded."""
    from PIL import Image, UnidentifiedImageError

    try:
        with warnings.catch_warnings():
            # Pillow warns about large pictures and about metadata that is not used here.
            warnings.simplefilter("ignore")
            with Image.open(io.BytesIO(content), formats=_PILLOW_FORMATS) as picture:
                if picture.width * picture.height > MAX_PIXELS:
                    return [], f"it has more than {MAX_PIXELS:,} pixels"
                picture.load()
    except (UnidentifiedImageError, Image.DecompressionBombError, NotImplementedError):
        return [], "no decoder here reads this kind of picture"
    except (OSError, SyntaxError, ValueError, EOFError, IndexError, RuntimeError) as error:
        message = " ".join(str(error).split())[:120]
        if _UNSUPPORTED_WORDS.search(message):
            return [], f"it is of a kind that the decoder does not read ({message})"
        # Not grave: Pillow may fail on a variant of the format that it does not know.
        why = f"its picture does not decode without faults ({message})"
        return [IntegrityFlaw(is_grave=False, sign="picture does not decode", explanation=why)], ""
    return [], ""


_PILLOW_FORMATS = ("PNG", "GIF", "WEBP", "AVIF", "JPEG2000", "TIFF")
_UNSUPPORTED_WORDS = re.compile(
    "not available|unsupported|not supported|not implemented|unknown|cannot handle", re.IGNORECASE
)


def _check_raw(content: bytes) -> tuple[list[IntegrityFlaw], str]:
    """Return the flaws of a raw's image data, or why it was not decoded."""
    import rawpy

    try:
        with rawpy.imread(io.BytesIO(content)) as raw:
            sizes = raw.sizes
            if sizes.raw_width * sizes.raw_height > MAX_PIXELS:
                return [], f"it has more than {MAX_PIXELS:,} pixels"
            # Accessing the attribute decodes the image; the values are not needed.
            _ = raw.raw_image
    except (rawpy.LibRawDataError, rawpy.LibRawIOError) as error:
        why = f"its image data does not decode ({_format_error(error)})"
        return [IntegrityFlaw(is_grave=True, sign="image data does not decode", explanation=why)], ""
    except rawpy.LibRawFatalError as error:
        return [], f"LibRaw gave up on it ({_format_error(error)})"
    except rawpy.LibRawError as error:
        return [], f"LibRaw does not know it ({_format_error(error)})"
    return [], ""


def _format_error(error: Exception) -> str:
    words = error.args[0] if error.args else ""
    text = words.decode("ascii", "replace") if isinstance(words, bytes) else str(words)
    return text or type(error).__name__
