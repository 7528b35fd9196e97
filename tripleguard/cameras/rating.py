"""Read a rating from XMP: a sidecar, or the packet that cameras and editors embed in a picture.

`xmp:Rating` is a number from 0 (unrated) and 1 (worst) to 5 (best), decimals allowed, or -1 for rejected; other
values are ignored (ISO 16684-1:2019, 8.4; decimals: ISO 16684-2, annex C). It is an attribute of `rdf:Description`
or an element inside it, with the same meaning (ISO 16684-1, 7).

The XML is untrusted: defusedxml parses it without following entities or opening other files, up to a fixed size.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

REJECTED = -1.0

MAX_XMP_BYTES = 1 << 20
"""Bytes of the largest embedded packet that is parsed."""

MAX_SIDECAR_BYTES = 16 << 20
"""Bytes of the largest sidecar that is parsed; editors keep their whole history in it.

A larger file is no sidecar.
"""

MAX_TAGS, MAX_ATTRIBUTES = 500_000, 150_000
"""Limits for one sidecar; each parsed tag takes a hundred bytes or more. A long history has a tenth of this."""


class InvalidXmpError(ValueError):
    """The content is not readable XMP. Report it, and change nothing because of it."""


def parse_packet_rating(packet: bytes) -> float | None:
    """Return the rating in an embedded packet, -1 or 0 to 5; None if it has no valid one."""
    if b"Rating" not in packet or len(packet) > MAX_XMP_BYTES:
        return None
    # The wrapper of the packet may be padded or cut off; only the XML inside matters.
    start, end = packet.find(b"<rdf:RDF"), packet.rfind(b"</rdf:RDF>")
    inside = packet[start : end + len(b"</rdf:RDF>")] if 0 <= start < end else packet
    try:
        return _find_rating(inside)
    except InvalidXmpError:
        return None


def parse_sidecar_rating(content: bytes) -> float | None:
    """Return the rating in a sidecar; None if it has no valid one.

    Raises:
        InvalidXmpError: the content is not readable XMP.
    """
    if len(content) > MAX_SIDECAR_BYTES:
        raise InvalidXmpError(f"it is larger than {MAX_SIDECAR_BYTES:,} bytes")
    if content.count(b"<") > MAX_TAGS or content.count(b"=") > MAX_ATTRIBUTES:
        raise InvalidXmpError("it holds more than any editor writes")
    return _find_rating(content)


def parse_rating(text: str) -> float | None:
    """Return the rating that a property's text gives, -1.0 or 0.0 to 5.0; None if it is not valid."""
    match = _NUMBER_PATTERN.fullmatch(text.strip())
    if match is None:
        return None
    value = float(match[0])
    return value if value == REJECTED or 0.0 <= value <= 5.0 else None


_NUMBER_PATTERN = re.compile(r"[+-]?[0-9]{1,3}(\.[0-9]{1,9})?")
_RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"
_RATING_NAME = "{http://ns.adobe.com/xap/1.0/}Rating"


def _find_rating(content: bytes) -> float | None:
    """Return the first valid rating among the properties of the resource itself. Raises InvalidXmpError."""
    root = _parse_xml(content)
    top = [root] if root.tag == f"{_RDF}RDF" else root.findall(f"{_RDF}RDF")
    if not top:
        raise InvalidXmpError("it holds no rdf:RDF")
    for description in (node for rdf in top for node in rdf.findall(f"{_RDF}Description")):
        for text in _list_rating_texts(description):
            rating = parse_rating(text)
            if rating is not None:
                return rating
    return None


def _list_rating_texts(description: Element) -> list[str]:
    """Return every form of the property: attribute, element, element with a qualified value."""
    found = [description.get(_RATING_NAME)]
    for element in description.findall(_RATING_NAME):
        inner = element.findtext(f".//{_RDF}value")
        found += [element.get(f"{_RDF}value"), inner if inner is not None else element.text]
    return [text for text in found if text]


def _parse_xml(content: bytes) -> Element:
    # Import the parser only when a sidecar is read.
    from xml.etree.ElementTree import ParseError

    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    try:
        root: Element = fromstring(
            _strip_padding(content), forbid_dtd=True, forbid_entities=True, forbid_external=True
        )
    except (ParseError, DefusedXmlException, ValueError, LookupError, RecursionError) as error:
        raise InvalidXmpError(f"it does not parse ({type(error).__name__})") from error
    return root


def _strip_padding(content: bytes) -> bytes:
    """Return the packet without the padding that XMP allows behind it and the NULs at the end of some fields."""
    return content.strip(b"\0 \t\r\n")
