"""Reads a rating out of an XMP packet: a sidecar, or the piece of XML that cameras put inside a picture.

The XML comes from outside: it is read by defusedxml, which follows no entity and opens no other file, and only up
to a fixed size. Whatever it holds, the answer is a rating or None.

XMP specification part 1, 8.4 (ISO 16684-1): -1 is rejected, 0 is not rated, 1 to 5, decimals allowed. The property
is an attribute of `rdf:Description` or an element inside it; both are legal RDF.
"""

from __future__ import annotations

import math

LARGEST = 1 << 20
"""Bytes of the largest packet that is looked into."""

_XMP = "{http://ns.adobe.com/xap/1.0/}Rating"
_RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"


def rating_of(packet: bytes) -> float | None:
    """The rating that an XMP packet holds: -1, or 0 to 5; None if there is none or it makes no sense."""
    if b"Rating" not in packet or len(packet) > LARGEST:
        return None
    # The wrapper around the packet may be padded, or cut off at its end; the XML inside is what counts.
    start, end = packet.find(b"<rdf:RDF"), packet.rfind(b"</rdf:RDF>")
    if start < 0 or end < start:
        return None
    return _rating_in(packet[start : end + len(b"</rdf:RDF>")])


def _rating_in(xml: bytes) -> float | None:
    from xml.etree.ElementTree import ParseError

    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    try:
        root = fromstring(xml, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError, LookupError):
        return None
    for description in root.findall(f"{_RDF}Description"):
        for text in (description.get(_XMP), description.findtext(_XMP)):
            if text is not None and (rating := _sensible(text)) is not None:
                return rating
    return None


def _sensible(text: str) -> float | None:
    try:
        rating = float(text)
    except ValueError:
        return None
    return rating if rating == -1 or (math.isfinite(rating) and 0 <= rating <= 5) else None
