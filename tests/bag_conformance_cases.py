"""Bags made by hand: the cases that the BagIt conformance suite has, built from their description.

Source: LibraryOfCongress/bagit-conformance-suite (public domain), its groups and the names of its cases, commit
of 18 November 2021. The bags themselves are made here. `is_valid` must pass, `invalid` and what leaves the bag on
Linux or Windows must be refused, `format_warning` must pass with a message.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path

HELLO = b"hello\n"
"""What `data/hello.txt` holds in the suite's bag for 1.0; its SHA-512 begins e7c22b994c59d9cf."""

Change = Callable[[Path], None]


def bag(
    root: Path,
    version: str = "1.0",
    payload: Mapping[str, bytes] | None = None,
    *,
    algorithms: tuple[str, ...] = ("sha512",),
    encoding: str = "UTF-8",
    info: str = "Bagging-Date: 2016-02-26\n",
) -> Path:
    """A bag as it must be: payload, manifests, a description, tag manifests over all of them."""
    root.mkdir(parents=True, exist_ok=True)
    (root / "data").mkdir(exist_ok=True)
    payload = {"hello.txt": HELLO} if payload is None else payload
    for name, content in payload.items():
        path = root / "data" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content)
    (root / "bagit.txt").write_text(f"BagIt-Version: {version}\nTag-File-Character-Encoding: {encoding}\n")
    description = "package-info.txt" if version in ("0.93", "0.94", "0.95") else "bag-info.txt"
    write(root / description, info, encoding)
    for algorithm in algorithms:
        write(root / f"manifest-{algorithm}.txt", lines(payload, algorithm), encoding)
    seal(root, algorithms, encoding)
    return root


def lines(payload: Mapping[str, bytes], algorithm: str = "sha512", gap: str = "  ") -> str:
    """The lines of a manifest."""
    return "".join(
        f"{hashlib.new(algorithm, content).hexdigest()}{gap}data/{name}\n" for name, content in payload.items()
    )


def write(path: Path, text: str, encoding: str = "UTF-8") -> None:
    path.write_bytes(text.encode(encoding))


def seal(root: Path, algorithms: tuple[str, ...] = ("sha512",), encoding: str = "UTF-8") -> None:
    """Tag manifests over what lies in the bag's base now."""
    for algorithm in algorithms:
        found = sorted(
            path for path in root.iterdir() if path.is_file() and not path.name.startswith("tagmanifest")
        )
        text = "".join(f"{hashlib.new(algorithm, path.read_bytes()).hexdigest()}  {path.name}\n" for path in found)
        write(root / f"tagmanifest-{algorithm}.txt", text, encoding)


def add_line(root: Path, name: str, line: str) -> None:
    """One more line in a text file of the bag, and the tag manifest made anew."""
    path = root / name
    path.write_bytes((path.read_bytes() if path.exists() else b"") + line.encode() + b"\n")
    seal(root)


def replace_text(root: Path, name: str, text: str) -> None:
    write(root / name, text)
    seal(root)


EMPTY = "cf83e1357eefb8bdf1542850d66d8007d620e4050b5715dc83f4a921d36ce9ce47d0d13c5d85f2b0ff8318d2877eec2f63b931bd47417a81a538327af927da3e"  # noqa: E501
"""SHA-512 of nothing, as the suite's case `filename-normalization` has it."""

NFC, NFD = "N\u00fa\u00f1ez", "Nu\u0301n\u0303ez"
"""RFC 8493, 6.1.1."""

VALID: dict[str, Change] = {
    "v0.93 basic-bag": lambda root: void(bag(root, "0.93", algorithms=("md5",))),
    "v0.94 basic-bag": lambda root: void(bag(root, "0.94", algorithms=("md5",))),
    "v0.95 basic-bag": lambda root: void(bag(root, "0.95", algorithms=("md5",))),
    "v0.95 duplicate-metadata-entries": lambda root: void(
        bag(root, "0.95", algorithms=("md5",), info="Source-Organization: one\nSource-Organization: two\n")
    ),
    "v0.96 basic-bag": lambda root: void(bag(root, "0.96", algorithms=("sha1",), info="Payload-Oxum: 6.1\n")),
    "v0.97 basic-bag-md5": lambda root: void(bag(root, "0.97", algorithms=("md5",))),
    "v0.97 basic-bag-sha1": lambda root: void(bag(root, "0.97", algorithms=("sha1",))),
    "v0.97 basic-bag-sha224": lambda root: void(bag(root, "0.97", algorithms=("sha224",))),
    "v0.97 basic-bag-sha256": lambda root: void(bag(root, "0.97", algorithms=("sha256",))),
    "v0.97 basic-bag-sha512": lambda root: void(bag(root, "0.97", algorithms=("sha512",))),
    "v0.97 UTF-16-encoded-tag-files": lambda root: void(bag(root, "0.97", encoding="UTF-16BE")),
    "v0.97 union of manifests": lambda root: _split_manifests(root, "0.97"),
    "v0.97 local-fetch": lambda root: add_line(
        bag(root, "0.97"), "fetch.txt", "file:///somewhere/else.png 42000 else.png"
    ),
    "v0.97 percent-encoded names": lambda root: _encoded_name(root),
    "v1.0 basicBag": lambda root: void(bag(root, "1.0")),
    "v1.0 two manifests": lambda root: void(bag(root, "1.0", algorithms=("sha256", "sha512"))),
    "v1.0 lines end with CR LF": lambda root: _line_ends(root, "\r\n"),
    "v1.0 lines end with CR": lambda root: _line_ends(root, "\r"),
    "v1.0 upper-case checksums": lambda root: replace_text(
        bag(root),
        "manifest-sha512.txt",
        lines({"hello.txt": HELLO}).replace("\n", "").upper()[:128] + "\tdata/hello.txt\n",
    ),
}

INVALID: dict[str, Change] = {
    "v0.97 baginfo-missing-encoding": lambda root: write(bag(root, "0.97") / "bagit.txt", "BagIt-Version: 0.97\n"),
    "v0.97 bom-in-bagit.txt": lambda root: _with_bom(root, "bagit.txt", "0.97"),
    "v0.97 corrupt-data-file": lambda root: write(bag(root, "0.97") / "data/hello.txt", "hellO\n"),
    "v0.97 corrupt-tag-file": lambda root: write(bag(root, "0.97") / "bag-info.txt", "Bagging-Date: 2016-02-27\n"),
    "v0.97 extra-file-in-bag": lambda root: write(bag(root, "0.97") / "data/extra.txt", "x"),
    "v0.97 invalid-version-number": lambda root: replace_text(
        bag(root, "0.97"), "bagit.txt", "BagIt-Version: .97\nTag-File-Character-Encoding: UTF-8\n"
    ),
    "v0.97 missing-baginfo": lambda root: (bag(root, "0.97") / "bag-info.txt").unlink(),
    "v0.97 missing-bagit.txt": lambda root: (bag(root, "0.97") / "bagit.txt").unlink(),
    "v0.97 out-of-scope-file-paths-using-dot-notation": lambda root: add_line(
        bag(root, "0.97"), "manifest-sha512.txt", f"{EMPTY}  ../../../README.md"
    ),
    "v0.97 out-of-scope-file-paths-using-dot-notation-for-fetch": lambda root: add_line(
        bag(root, "0.97"), "fetch.txt", "https://example.org/a 1 ../../../a"
    ),
    "v0.97 same-filename-listed-twice-with-different-hashes": lambda root: add_line(
        bag(root, "0.97"), "manifest-sha512.txt", f"{EMPTY}  data/hello.txt"
    ),
    "v0.97 linux-only absolute path": lambda root: _escape(root, "/etc/passwd"),
    "v0.97 linux-only tilde": lambda root: _escape(root, "~/hello.txt"),
    "v0.97 linux-only tilde and user": lambda root: _escape(root, "~root/hello.txt"),
    "v0.97 linux-only absolute path for fetch": lambda root: _escape_fetch(root, "/tmp/hello.txt"),
    "v0.97 linux-only tilde for fetch": lambda root: _escape_fetch(root, "~/hello.txt"),
    "v0.97 linux-only tilde and user for fetch": lambda root: _escape_fetch(root, "~root/hello.txt"),
    "v0.97 windows-only drive letter": lambda root: _escape(root, "C:\\hello.txt"),
    "v0.97 windows-only UNC": lambda root: _escape(root, "\\\\server\\share\\hello.txt"),
    "v0.97 windows-only namespace": lambda root: _escape(root, "\\\\?\\C:\\hello.txt"),
    "v0.97 windows-only drive letter for fetch": lambda root: _escape_fetch(root, "C:\\hello.txt"),
    "v0.97 windows-only UNC for fetch": lambda root: _escape_fetch(root, "\\\\server\\share\\hello.txt"),
    "v0.97 windows-only backslash and dots": lambda root: _escape(root, "data\\..\\..\\hello.txt"),
    "v1.0 bagit-with-invalid-whitespace": lambda root: replace_text(
        bag(root), "bagit.txt", "BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n"
    ),
    "v1.0 notAllManifestsListAllFiles": lambda root: _split_manifests(root, "1.0"),
    "v1.0 same-filename-listed-twice-with-different-hashes": lambda root: add_line(
        bag(root), "manifest-sha512.txt", f"{EMPTY}  data/hello.txt"
    ),
    "v1.0 same-filename-listed-twice-with-the-same-hash": lambda root: add_line(
        bag(root), "manifest-sha512.txt", lines({"hello.txt": HELLO}).strip()
    ),
    "v1.0 a version nobody knows": lambda root: void(bag(root, "1.7")),
    "v1.0 no manifest": lambda root: (bag(root) / "manifest-sha512.txt").unlink(),
    "v1.0 no payload folder": lambda root: _without_payload(root),
    "v1.0 wrong oxum": lambda root: void(bag(root, info="Payload-Oxum: 6.2\n")),
    "v1.0 two oxums": lambda root: void(bag(root, info="Payload-Oxum: 6.1\nPayload-Oxum: 6.1\n")),
    "v1.0 a checksum nobody can compute": lambda root: add_line(
        bag(root), "manifest-whirlpool.txt", "00ff  data/hello.txt"
    ),
    "v1.0 BOM in a manifest": lambda root: _with_bom(root, "manifest-sha512.txt", "1.0"),
    "v1.0 a tag manifest without a payload manifest": lambda root: write(
        bag(root) / "tagmanifest-sha512.txt", f"{hashlib.sha512(b'').hexdigest()}  empty.txt\n"
    ),
    "v1.0 still to be fetched": lambda root: _to_fetch(root),
    "v1.0 a link in the payload": lambda root: (bag(root) / "data/link").symlink_to("hello.txt"),
    "v1.0 a payload that is a link": lambda root: _payload_is_a_link(root),
    "v1.0 bytes that are no UTF-8": lambda root: void(
        (bag(root) / "manifest-sha512.txt").write_bytes(b"00  data/\xff\n")
    ),
    "v1.0 a manifest of something else": lambda root: add_line(bag(root), "manifest-sha512.txt", "what is this"),
}

WARNING: dict[str, Change] = {
    "v0.97 duplicate-file-with-different-case": lambda root: void(
        bag(root, "0.97", {"hello.txt": HELLO, "HELLO.txt": HELLO})
    ),
    "v0.97 made-with-md5sum-tools": lambda root: replace_text(
        bag(root, "0.97"), "manifest-sha512.txt", lines({"hello.txt": HELLO}, gap=" *")
    ),
    "v0.97 relative-path": lambda root: replace_text(
        bag(root, "0.97"), "manifest-sha512.txt", lines({"hello.txt": HELLO}).replace("data/", "./data/")
    ),
    "v0.97 filename-normalization": lambda root: replace_text(
        bag(root, "0.97", {NFC: b""}), "manifest-sha512.txt", f"{EMPTY} data/{NFD}\n"
    ),
    "v0.97 same-filename-listed-twice-with-different-normalization": lambda root: replace_text(
        bag(root, "0.97", {NFC: b""}), "manifest-sha512.txt", f"{EMPTY}  data/{NFC}\n{EMPTY}  data/{NFD}\n"
    ),
    "v0.97 same-filename-listed-twice-with-the-same-hash": lambda root: add_line(
        bag(root, "0.97"), "manifest-sha512.txt", lines({"hello.txt": HELLO}).strip()
    ),
    "v0.97 special-system-files": lambda root: write(bag(root, "0.97") / "data/.DS_Store", "x"),
    "v1.0 a name with % as it is": lambda root: void(bag(root, "1.0", {"100% sure.txt": HELLO})),
}


def void(_: object) -> None:
    """For a line that only makes something."""


def _split_manifests(root: Path, version: str) -> None:
    """Two manifests, each with one of two files."""
    bag(root, version, {"one.txt": b"1", "two.txt": b"2"}, algorithms=("md5", "sha512"))
    write(root / "manifest-md5.txt", lines({"one.txt": b"1"}, "md5"))
    write(root / "manifest-sha512.txt", lines({"two.txt": b"2"}))
    seal(root, ("md5", "sha512"))


def _encoded_name(root: Path) -> None:
    bag(root, "0.97", {"a\nb.txt": HELLO})
    replace_text(root, "manifest-sha512.txt", lines({"a%0Ab.txt": HELLO}))


def _line_ends(root: Path, end: str) -> None:
    bag(root)
    for name in ("bagit.txt", "bag-info.txt", "manifest-sha512.txt"):
        (root / name).write_bytes((root / name).read_bytes().replace(b"\n", end.encode()))
    seal(root)


def _with_bom(root: Path, name: str, version: str) -> None:
    bag(root, version)
    (root / name).write_bytes(b"\xef\xbb\xbf" + (root / name).read_bytes())
    seal(root)


def _escape(root: Path, path: str) -> None:
    add_line(bag(root, "0.97"), "manifest-sha512.txt", f"{EMPTY}  {path}")


def _escape_fetch(root: Path, path: str) -> None:
    add_line(bag(root, "0.97"), "fetch.txt", f"https://example.org/hello.txt - {path}")


def _without_payload(root: Path) -> None:
    bag(root, payload={})
    (root / "data").rmdir()


def _to_fetch(root: Path) -> None:
    bag(root)
    add_line(root, "manifest-sha512.txt", f"{EMPTY}  data/later.txt")
    add_line(root, "fetch.txt", "https://example.org/later.txt 0 data/later.txt")


def _payload_is_a_link(root: Path) -> None:
    bag(root)
    elsewhere = root.parent / "elsewhere"
    (root / "data").rename(elsewhere)
    (root / "data").symlink_to(elsewhere)
