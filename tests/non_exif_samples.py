"""Small files of the kinds that keep what the camera wrote outside of Exif, built as their formats say."""

from __future__ import annotations

import struct


def box(kind: bytes, content: bytes) -> bytes:
    """A box of ISO/IEC 14496-12."""
    return struct.pack(">I4s", len(content) + 8, kind) + content


def chunk(kind: bytes, content: bytes) -> bytes:
    """A chunk of a RIFF file, padded to an even length."""
    return kind + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def chunks(kind: bytes, *inside: bytes) -> bytes:
    """A list of chunks."""
    return chunk(b"LIST", kind + b"".join(inside))


def avi(*inside: bytes, behind: bytes = b"") -> bytes:
    """An AVI with these chunks in its header, a little film, and these chunks behind it."""
    header = chunks(b"hdrl", chunk(b"avih", bytes(56)), *inside)
    film = chunks(b"movi", chunk(b"00dc", b"\xff\xd8" + bytes(3000)))
    return chunk(b"RIFF", b"AVI " + header + film + behind)


def mvhd(seconds: int) -> bytes:
    """A film's own clock, seconds since 1904 (ISO/IEC 14496-12, 8.2.2)."""
    times = struct.pack(">IIII", seconds, seconds, 600, 600)
    return box(b"mvhd", bytes(4) + times + struct.pack(">IH", 0x10000, 0x100) + bytes(74))


def film(*inside: bytes, brand: bytes = b"mp42", padding: int = 0, behind: bytes = b"") -> bytes:
    """A film whose describing box lies behind its pictures."""
    start = box(b"ftyp", brand + bytes(4) + brand) if brand else box(b"wide", b"")
    return start + box(b"mdat", bytes(padding + 64)) + box(b"moov", b"".join(inside)) + behind


def apple_text(text: str) -> bytes:
    """The content of one of QuickTime's texts: size, language, text."""
    raw = text.encode()
    return struct.pack(">HH", len(raw), 0x15C7) + raw


def apple_keys(values: dict[str, str]) -> bytes:
    """A box of keys and their values (QuickTime File Format, metadata)."""
    names = b"".join(box(b"mdta", name.encode()) for name in values)
    items = b"".join(
        box(struct.pack(">I", number), box(b"data", struct.pack(">II", 1, 0) + value.encode()))
        for number, value in enumerate(values.values(), start=1)
    )
    hdlr = box(b"hdlr", bytes(8) + b"mdta" + bytes(13))
    return box(b"meta", hdlr + box(b"keys", struct.pack(">II", 0, len(values)) + names) + box(b"ilst", items))


def nikon_records(texts: dict[int, str]) -> bytes:
    """Records of Nikon's box in a MOV."""
    return b"".join(
        struct.pack(">IHH", tag, 2, len(text) + 1) + text.encode() + b"\0" for tag, text in texts.items()
    )


def crw(make: str, model: str, seconds: int, serial: int = 0, padding: int = 0) -> bytes:
    """A Canon CRW: heaps in heaps, each with its directory at its end (CIFF 1.0)."""

    def heap(*entries: tuple[int, bytes]) -> bytes:
        content, rows = b"", b""
        for tag, value in entries:
            rows += struct.pack("<HII", tag, len(value), len(content))
            content += value
        return content + struct.pack("<H", len(entries)) + rows + struct.pack("<I", len(content))

    camera = heap((0x080A, f"{make}\0{model}\0".encode().ljust(32, b"\0")), (0x180B, struct.pack("<I", serial)))
    pictures = heap((0x180E, struct.pack("<III", seconds, 0, 0x80000000)), (0x2807, camera))
    root = heap((0x2005, bytes(padding + 64)), (0x300A, pictures))
    return b"II" + struct.pack("<I", 26) + b"HEAPCCDR" + struct.pack("<HHII", 2, 1, 0, 0) + root


def mrw(block: bytes) -> bytes:
    """A Minolta MRW whose TTW holds a TIFF block."""
    inside = b"".join(
        name + struct.pack(">I", len(content)) + content
        for name, content in ((b"\0PRD", bytes(24)), (b"\0TTW", block), (b"\0RIF", bytes(16)))
    )
    return b"\0MRM" + struct.pack(">I", len(inside)) + inside + bytes(256)


def x3f(properties: dict[str, str], jpeg: bytes = b"") -> bytes:
    """A Sigma X3F 2.2: sections, then the directory, then where it lies."""
    file = (b"FOVb" + struct.pack("<I", 0x00020002)).ljust(264, b"\0")
    texts, places = b"", b""
    for pair in properties.items():
        for text in pair:
            places += struct.pack("<I", len(texts) // 2)
            texts += text.encode("utf-16-le") + b"\0\0"
    found = []
    head = struct.pack("<4sIIIII", b"SECp", 0x20000, len(properties), 0, 0, len(texts) // 2)
    for kind, section in ((b"PROP", head + places + texts), (b"IMA2", _x3f_image(jpeg) if jpeg else b"")):
        if section:
            found.append(struct.pack("<II4s", len(file), len(section), kind))
            file += section
    directory = struct.pack("<4sII", b"SECd", 0x20000, len(found)) + b"".join(found)
    return file + directory + struct.pack("<I", len(file))


def _x3f_image(jpeg: bytes) -> bytes:
    return struct.pack("<4sIIIIII", b"SECi", 0x20000, 2, 18, 16, 16, 0) + jpeg
