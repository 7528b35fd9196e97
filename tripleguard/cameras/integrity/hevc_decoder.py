"""Decode HEVC pictures with libde265, and report its warnings.

libheif shows a picture as well as it can and hides the warnings of its decoder, so missing data in the coded
picture goes unnoticed. This module calls libde265 directly: the library in the wheel of `pi-heif` (LGPL, linked
dynamically), through its public C interface (`de265.h`).

Where damage looks like the end of the picture, the decoder stops without a warning. The part it did not reach
stays zero in all planes, a colour that no picture has, so zeros show that a part is missing.
"""

from __future__ import annotations

import ctypes
import importlib.metadata
import importlib.util
from collections.abc import Sequence
from functools import cache
from typing import Any

MAX_DECODE_CALLS = 100_000
"""Decoder calls for one picture."""

MAX_WARNINGS = 64


def is_installed() -> bool:
    """Return whether the decoder is installed, without loading it."""
    return importlib.util.find_spec("pi_heif") is not None


def read_largest_size(units: Sequence[bytes]) -> tuple[int, int]:
    """Return the largest width and height in the parameter sets; 0 and 0 if they can't be read."""
    sizes = [_read_size(unit) for unit in units if len(unit) > 2 and unit[0] >> 1 & 63 == _SEQUENCE_PARAMETERS]
    return max(sizes, key=lambda size: size[0] * size[1], default=(0, 0))


def decode_picture(units: Sequence[bytes]) -> tuple[list[str], str]:
    """Decode one picture.

    Args:
        units: its NAL units, the parameter sets first, without length prefixes.

    Returns:
        The signs of damage, in plain words; and why the picture was not decoded, empty if it was.

    Raises:
        OSError: the library can't be loaded.
    """
    damage: list[str] = []
    # Three zeros in a row never occur inside a unit: ITU-T H.265, 7.4.2.
    if any(b"\0\0\0" in unit.rstrip(b"\0") for unit in units):
        damage.append("zeros where it can't have any")
    if any(_ONES in unit for unit in units):
        damage.append("ones where it can't have so many")
    library = _load_library()
    codes, whole = _run_decoder(library, units)
    damage += [_describe_code(library, code) for code in codes if code in _DAMAGE_CODES]
    others = [code for code in codes if code not in _DAMAGE_CODES | _HARMLESS_CODES]
    if not whole and not others:
        damage.append("a part of it is missing")
    return damage, _describe_code(library, others[0]) if others and not damage else ""


def _read_size(unit: bytes) -> tuple[int, int]:
    """Return width and height from a sequence parameter set (ITU-T H.265, 7.3.2.2.1)."""
    bits = _BitReader(unit[2:].replace(b"\0\0\3", b"\0\0"))
    bits.read_bits(4)
    layers = bits.read_bits(3)
    bits.read_bits(1 + 96)
    if layers:
        flags = [bits.read_bits(2) for _ in range(layers)]
        bits.read_bits(2 * (8 - layers))
        for flag in flags:
            bits.read_bits(88 * (flag >> 1) + 8 * (flag & 1))
    bits.read_exp_golomb()
    if bits.read_exp_golomb() == 3:
        bits.read_bits(1)
    return bits.read_exp_golomb(), bits.read_exp_golomb()


class _BitReader:
    """A reader of numbers of a given bit length; it returns zeros behind the end."""

    def __init__(self, content: bytes) -> None:
        self._value = int.from_bytes(content[:_MAX_PARAMETER_SET_BYTES], "big")
        self._bits_left = 8 * len(content[:_MAX_PARAMETER_SET_BYTES])

    def read_bits(self, count: int) -> int:
        self._bits_left -= count
        return self._value >> self._bits_left & ((1 << count) - 1) if self._bits_left >= 0 else 0

    def read_exp_golomb(self) -> int:
        """Read a number coded as 0-th order Exp-Golomb (ITU-T H.265, 9.2)."""
        zeros = 0
        while not self.read_bits(1):
            zeros += 1
            if zeros > 32:
                return 0
        return (1 << zeros) - 1 + self.read_bits(zeros)


_SEQUENCE_PARAMETERS = 33
_MAX_PARAMETER_SET_BYTES = 4096


def _describe_code(library: ctypes.CDLL, code: int) -> str:
    return (library.de265_get_error_text(code) or b"").decode("ascii", "replace")


def _run_decoder(library: ctypes.CDLL, units: Sequence[bytes]) -> tuple[list[int], bool]:
    """Return the errors and warnings of decoding these units, and whether the whole picture was filled."""
    decoder = library.de265_new_decoder()
    found: dict[int, None] = {}
    shown, whole = False, True
    try:
        for unit in units:
            found[library.de265_push_NAL(decoder, unit, len(unit), 0, None)] = None
        found[library.de265_flush_data(decoder)] = None
        more = ctypes.c_int(1)
        for _ in range(MAX_DECODE_CALLS):
            code = library.de265_decode(decoder, ctypes.byref(more))
            while image := library.de265_get_next_picture(decoder):
                shown, whole = True, whole and _is_filled(library, image)
            found[code] = None
            if code or not more.value:
                break
        for _ in range(MAX_WARNINGS):
            warning = library.de265_get_warning(decoder)
            found[warning] = None
            if not warning:
                break
    finally:
        library.de265_free_decoder(decoder)
    return [code for code in found if code], shown and whole


def _is_filled(library: ctypes.CDLL, image: int) -> bool:
    """Return whether no block of a picture is zero in all planes; zero in both chroma planes is not a colour."""
    import numpy as np

    empty: np.ndarray[Any, np.dtype[np.bool_]] | None = None
    for number in range(3):
        stride = ctypes.c_int(0)
        at = library.de265_get_image_plane(image, number, ctypes.byref(stride))
        height = library.de265_get_image_height(image, number)
        if not at or stride.value <= 0 or height < _BLOCK:
            return True
        plane = np.frombuffer((ctypes.c_uint8 * (stride.value * height)).from_address(at), np.uint8)
        if number == 0:
            continue
        down, across = height // _BLOCK, stride.value // _BLOCK
        rows = plane.reshape(height, stride.value)[: down * _BLOCK, : across * _BLOCK]
        blank = np.equal(rows.reshape(down, _BLOCK, across, _BLOCK).max(axis=(1, 3)), 0)
        width = library.de265_get_image_width(image, number)
        wide = 2 if library.de265_get_bits_per_pixel(image, number) > 8 else 1
        blank = blank[:, : width * wide // _BLOCK]
        empty = blank if empty is None else empty & blank
    return not bool(empty.any()) if empty is not None else True


_BLOCK = 8
"""Side of an examined block, in bytes."""

_ONES = b"\xff" * 128

# de265.h codes that an intact picture never produces: coefficients, checksum, blocks outside, parameters, slices
# cut short, too many warnings, entry points, substreams without an end, slice addresses.
_DAMAGE_CODES = frozenset({4, 5, 6, 8, 16, 17, 1001, 1002, 1003, 1004, 1017, 1020})
# Notes about threads and buffers.
_HARMLESS_CODES = frozenset({13, 1000, 1022})


@cache
def _load_library() -> ctypes.CDLL:
    # Loading the extension also loads its libraries, wherever the wheel keeps them.
    import pi_heif  # noqa: F401

    names = [one for one in importlib.metadata.files("pi-heif") or () if "de265" in one.name]
    if not names:
        raise OSError("the wheel of pi-heif holds no libde265")
    library = ctypes.CDLL(str(names[0].locate()))
    library.de265_new_decoder.restype = ctypes.c_void_p
    library.de265_get_next_picture.restype = ctypes.c_void_p
    library.de265_get_image_plane.restype = ctypes.c_void_p
    library.de265_get_error_text.restype = ctypes.c_char_p
    for name, arguments in _ARGUMENT_TYPES.items():
        getattr(library, name).argtypes = arguments
    return library


_ARGUMENT_TYPES: dict[str, tuple[Any, ...]] = {
    "de265_get_image_plane": (ctypes.c_void_p, ctypes.c_int, ctypes.POINTER(ctypes.c_int)),
    "de265_get_image_height": (ctypes.c_void_p, ctypes.c_int),
    "de265_get_image_width": (ctypes.c_void_p, ctypes.c_int),
    "de265_get_bits_per_pixel": (ctypes.c_void_p, ctypes.c_int),
    "de265_push_NAL": (ctypes.c_void_p, ctypes.c_char_p, ctypes.c_int, ctypes.c_int64, ctypes.c_void_p),
    "de265_flush_data": (ctypes.c_void_p,),
    "de265_decode": (ctypes.c_void_p, ctypes.POINTER(ctypes.c_int)),
    "de265_get_next_picture": (ctypes.c_void_p,),
    "de265_get_warning": (ctypes.c_void_p,),
    "de265_get_error_text": (ctypes.c_int,),
    "de265_free_decoder": (ctypes.c_void_p,),
}
