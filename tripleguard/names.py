"""Names come from outside: cards, drives, the person. This room makes them safe to store and to show.

Stored, a name keeps its bytes wherever the target can hold them; where it can't, the name is changed as
little as possible and the catalog keeps the old one. Shown, no name may move the cursor, hide text or open
markup.
"""

from __future__ import annotations

import os
import re
import unicodedata

from tripleguard.model import Limits

_DEVICE_NAMES = frozenset(
    ["CON", "PRN", "AUX", "NUL", *(f"COM{n}" for n in range(1, 10)), *(f"LPT{n}" for n in range(1, 10))]
)
_NUMBER = re.compile(r"-[1-9][0-9]{0,3}$")
EXFAT_FORBIDDEN = '"*/:<>?\\|' + "".join(map(chr, range(32)))
"""exFAT specification 1.00, section 7.7.3, table 35."""


def shown(name: str) -> str:
    """The name as one line of harmless text: control, direction and broken characters as escapes."""
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


def is_text(name: str) -> bool:
    """Whether the name is valid UTF-8 as it came."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return False
    return True


def folded(name: str) -> str:
    """The name for comparing where case and Unicode form do not count."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def is_safe_path(path: str) -> bool:
    """Whether a relative path stays inside its place: no empty, `.` or `..` parts, no NUL."""
    if not path or "\0" in path:
        return False
    return all(part not in ("", ".", "..") for part in path.split("/"))


def split_suffix(name: str) -> tuple[str, str]:
    """Stem and extension; `IMG_1.CR3.xmp` splits before `.CR3` so that a suffix keeps the pair together."""
    stem, dot, end = name.rpartition(".")
    if not stem:
        return name, ""
    if end.lower() == "xmp":
        inner, inner_dot, inner_end = stem.rpartition(".")
        if inner and inner_end:
            return inner, inner_dot + inner_end + dot + end
    return stem, dot + end


def numbered(name: str, n: int) -> str:
    """The n-th way to say a name that is taken: `IMG_1.CR3`, `IMG_1-2.CR3`, `IMG_1-3.CR3`."""
    if n == 1:
        return name
    stem, end = split_suffix(name)
    return f"{stem}-{n}{end}"


def fitted(path: str, limits: Limits) -> str:
    """The path as this place can hold it: equal to `path` wherever that is possible."""
    return "/".join(_fitted_part(part, limits) for part in path.split("/"))


def _fitted_part(part: str, limits: Limits) -> str:
    if limits.utf8_only and not is_text(part):
        part = shown(part).replace("\\", "_")
    if any(char in limits.forbidden for char in part):
        part = "".join("_" if char in limits.forbidden else char for char in part)
    return _shortened(part, limits)


def _shortened(part: str, limits: Limits) -> str:
    """The part cut to fit, keeping its extension and the number that tells it from a twin."""
    if _fits(part, limits):
        return part
    stem, end = split_suffix(part)
    number = _NUMBER.search(stem)
    if number is not None:
        stem, end = stem[: number.start()], number[0] + end
    if not stem or not _fits(stem[0] + end, limits):
        stem, end = part, ""
    while not _fits(stem + end, limits):
        stem = stem[:-1]
    return stem + end


def _fits(part: str, limits: Limits) -> bool:
    if limits.name_bytes and len(os.fsencode(part)) > limits.name_bytes:
        return False
    units = len(part.encode("utf-16-le", "surrogatepass")) // 2
    return not limits.name_units or units <= limits.name_units


def stands_for(stored: str, wanted: str) -> bool:
    """Whether a copy's name says what the wanted name says: as it is, numbered because it was taken, or fitted."""
    return any(_says(name, wanted, cut=may_be_cut(stored)) for name in (stored, unnumbered(stored)))


def name_keys(stored: str) -> frozenset[str] | None:
    """The keys under which `stands_for` is a plain comparison: those of the names that stored stands for.

    None where it may have been cut, so that only `stands_for` can tell. The key of a wanted name is `name_key`.
    """
    if may_be_cut(stored):
        return None
    return frozenset(map(name_key, (stored, unnumbered(stored))))


def name_key(wanted: str) -> str:
    """The key of a wanted name; see `name_keys`."""
    return _comparable(wanted)


def _says(name: str, wanted: str, *, cut: bool) -> bool:
    one, other = _comparable(name), _comparable(wanted)
    if one == other:
        return True
    (stem, end), (_, wanted_end) = split_suffix(one), split_suffix(other)
    return cut and (other.startswith(one) or (end == wanted_end and other.startswith(stem)))


def _comparable(name: str) -> str:
    """The name as the strictest drive would hold it, without regard to case and form."""
    plain = name if is_text(name) else shown(name).replace("\\", "_")
    return folded("".join("_" if char in EXFAT_FORBIDDEN else char for char in plain))


def unnumbered(name: str) -> str:
    """The name without the `-N` that tells it from a twin."""
    stem, end = split_suffix(name)
    return _NUMBER.sub("", stem) + end


def may_be_cut(name: str) -> bool:
    """Whether a name is so near a limit that it may have been cut: a cut leaves less than one character free."""
    return len(os.fsencode(name)) > 251 or len(name.encode("utf-16-le", "surrogatepass")) // 2 > 253


def trouble_with_title(name: str) -> str | None:
    """Why a shoot's or drive's name can't be used, in plain words; None if it can.

    Titles become folders on every drive, so they must suit the strictest file system.
    """
    if not name.strip():
        return "it is empty"
    if name != name.strip() or name.endswith("."):
        return "it begins or ends with a space, or ends with a dot"
    if not is_text(name) or shown(name) != name:
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
