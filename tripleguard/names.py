"""Make file names safe to store and safe to show, and compare them across file systems.

Names come from outside: from cards, drives and users. A stored name keeps its bytes if the target supports them;
else it is changed as little as possible and the catalog keeps the original. A displayed name can't move the
cursor, hide text or open markup.
"""

from __future__ import annotations

import os
import re
import unicodedata

from tripleguard.model import FsLimits

_DEVICE_NAMES = frozenset(
    ["CON", "PRN", "AUX", "NUL", *(f"COM{n}" for n in range(1, 10)), *(f"LPT{n}" for n in range(1, 10))]
)
_NUMBER_SUFFIX = re.compile(r"-[1-9][0-9]{0,3}$")
EXFAT_FORBIDDEN = '"*/:<>?\\|' + "".join(map(chr, range(32)))
"""exFAT specification 1.00, section 7.7.3, table 35."""


def escape_text(name: str) -> str:
    """Return the name as one line of harmless text, with control, direction and invalid characters escaped."""
    if name.isascii() and name.isprintable():
        return name
    out: list[str] = []
    for char in name:
        category = unicodedata.category(char)
        if 0xDC80 <= ord(char) <= 0xDCFF:
            out.append(f"\\x{ord(char) - 0xDC00:02x}")
        elif category in ("Cc", "Cf", "Cs", "Zl", "Zp", "Co", "Cn"):
            out.append(char.encode("unicode_escape").decode("ascii"))
        else:
            out.append(char)
    return "".join(out)


def is_valid_utf8(name: str) -> bool:
    """Return whether the unchanged name is valid UTF-8."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def fold_name(name: str) -> str:
    """Return the name for comparison regardless of case and Unicode form."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def is_safe_path(path: str) -> bool:
    """Return whether a relative path stays inside its place: no empty, `.` or `..` parts, no NUL."""
    if not path or "\0" in path:
        return False
    return all(part not in ("", ".", "..") for part in path.split("/"))


def split_suffix(name: str) -> tuple[str, str]:
    """Return stem and extension; `IMG_1.CR3.xmp` splits before `.CR3`, so that numbers keep the pair together."""
    stem, dot, end = name.rpartition(".")
    if not stem:
        return name, ""
    if end.lower() == "xmp":
        inner, inner_dot, inner_end = stem.rpartition(".")
        if inner and inner_end:
            return inner, inner_dot + inner_end + dot + end
    return stem, dot + end


def add_number(name: str, n: int) -> str:
    """Return the n-th alternative to a taken name: `IMG_1.CR3`, `IMG_1-2.CR3`, `IMG_1-3.CR3`."""
    if n == 1:
        return name
    stem, end = split_suffix(name)
    return f"{stem}-{n}{end}"


def fit_to_limits(path: str, limits: FsLimits) -> str:
    """Return the path as this place supports it, unchanged if possible."""
    return "/".join(_fit_part(part, limits) for part in path.split("/"))


def _fit_part(part: str, limits: FsLimits) -> str:
    if limits.is_utf8_only and not is_valid_utf8(part):
        part = escape_text(part).replace("\\", "_")
    if any(char in limits.forbidden_chars for char in part):
        part = "".join("_" if char in limits.forbidden_chars else char for char in part)
    return _shorten(part, limits)


def _shorten(part: str, limits: FsLimits) -> str:
    """Return the part shortened to fit, with its extension and its `-N` number."""
    if _fits(part, limits):
        return part
    stem, end = split_suffix(part)
    number = _NUMBER_SUFFIX.search(stem)
    if number is not None:
        stem, end = stem[: number.start()], number[0] + end
    if not stem or not _fits(stem[0] + end, limits):
        stem, end = part, ""
    while not _fits(stem + end, limits):
        stem = stem[:-1]
    return stem + end


def _fits(part: str, limits: FsLimits) -> bool:
    if limits.max_name_bytes and len(os.fsencode(part)) > limits.max_name_bytes:
        return False
    units = len(part.encode("utf-16-le", "surrogatepass")) // 2
    return not limits.max_name_units or units <= limits.max_name_units


def is_name_of_copy(copy_name: str, original_name: str) -> bool:
    """Return whether a copy's name stands for the original one: equal, numbered because taken, or fitted."""
    return any(
        _matches(name, original_name, is_truncated=may_be_truncated(copy_name))
        for name in (copy_name, strip_number(copy_name))
    )


def compute_name_keys(copy_name: str) -> frozenset[str] | None:
    """Return the keys for which `is_name_of_copy` is a plain comparison with `compute_name_key`.

    None if the name may be truncated, so that only `is_name_of_copy` can decide.
    """
    if may_be_truncated(copy_name):
        return None
    return frozenset(map(compute_name_key, (copy_name, strip_number(copy_name))))


def compute_name_key(original_name: str) -> str:
    """Return the key of an original name; see `compute_name_keys`."""
    return _normalize(original_name)


def _matches(name: str, original_name: str, *, is_truncated: bool) -> bool:
    one, other = _normalize(name), _normalize(original_name)
    if one == other:
        return True
    (stem, end), (_, wanted_end) = split_suffix(one), split_suffix(other)
    return is_truncated and (other.startswith(one) or (end == wanted_end and other.startswith(stem)))


def _normalize(name: str) -> str:
    """Return the name as the strictest drive would store it, ignoring case and Unicode form."""
    plain = name if is_valid_utf8(name) else escape_text(name).replace("\\", "_")
    return fold_name("".join("_" if char in EXFAT_FORBIDDEN else char for char in plain))


def strip_number(name: str) -> str:
    """Return the name without its `-N` number."""
    stem, end = split_suffix(name)
    return _NUMBER_SUFFIX.sub("", stem) + end


def may_be_truncated(name: str) -> bool:
    """Return whether a name may be truncated: less than one more character would fit a drive's limit."""
    return len(os.fsencode(name)) > 251 or len(name.encode("utf-16-le", "surrogatepass")) // 2 > 253


def find_title_problem(name: str) -> str | None:
    """Return why a shoot's or drive's name can't be used, in plain words; None if it can.

    Titles become folders on every drive, so they must suit the strictest file system.
    """
    if not name.strip():
        return "it is empty"
    if name != name.strip() or name.endswith("."):
        return "it begins or ends with a space, or ends with a dot"
    if not is_valid_utf8(name) or escape_text(name) != name:
        return "it holds characters that can't be shown"
    bad = sorted({char for char in name if char in EXFAT_FORBIDDEN})
    if bad:
        return f"it holds {' '.join(bad)}, which drives can't store in a name"
    if name in (".", "..") or name.startswith("."):
        return "it begins with a dot"
    if name.split(".")[0].upper() in _DEVICE_NAMES:
        return "it is a name that one system keeps for itself"
    if len(name.encode("utf-8")) > 120:
        return "it is longer than 120 bytes"
    return None
