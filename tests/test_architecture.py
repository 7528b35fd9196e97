"""The architecture: imports run one way, only a few modules may change a disk, and no name means two things.

The layers, from the top: `cli` and `watch`; `presentation`; `jobs`; `catalog`, `places`, `cameras`, `frames` and
`bags`; `rules` and `forecast`; `model`. Basic modules such as `names` and `errors` may be imported from anywhere.
Decided beyond that:

- `layout` builds the path of a copy from the names that cameras give, so it may import `cameras`.
- `places` may ask `cameras` what a name on a card means, never the other way round. `catalog` imports neither.
- `presentation` shows the results of `jobs`, so it may import them; `jobs` never imports `presentation`.
- `demo` plays a whole day, so it may import everything except the command line; only `cli` imports it.
"""

from __future__ import annotations

import ast
import re
import textwrap
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

import tripleguard
from tripleguard.cli import _root as root_command

PACKAGE = Path(tripleguard.__file__).parent
PROJECT = PACKAGE.parent
LONGEST = 436

BASIC = frozenset(
    {
        "model",
        "clearance_answer",
        "errors",
        "clock",
        "names",
        "digest",
        "checklist",
        "config",
        "home",
        "config_sections",
        "wording",
    }
) | {"config_edit"}
PURE = frozenset({"rules", "forecast"})
STORES = frozenset({"catalog", "places", "cameras", "frames"})

MAY_IMPORT: dict[str, frozenset[str]] = {
    "model": frozenset(),
    "clearance_answer": frozenset(),
    "errors": frozenset(),
    "clock": frozenset(),
    "names": frozenset({"model"}),
    "digest": frozenset({"model"}),
    "checklist": frozenset({"model", "names"}),
    "config_sections": frozenset(),
    "wording": frozenset(),
    "config": frozenset({"errors", "names", "config_sections"}),
    "home": frozenset({"errors"}),
    "config_edit": frozenset({"config", "errors", "home"}),
    "rules": frozenset({"model", "clock"}),
    "forecast": frozenset({"model", "clock", "rules"}),
    "catalog": BASIC | PURE,
    "bags": BASIC,
    "cameras": BASIC | PURE,
    "frames": BASIC | PURE | {"cameras"},
    "places": BASIC | PURE | {"cameras"},
    "layout": BASIC | PURE | {"cameras"},
    "jobs": BASIC | PURE | STORES | {"layout", "bags"},
    "presentation": BASIC | PURE | STORES | {"layout", "jobs"},
    "watch": BASIC | PURE | STORES | {"layout", "jobs", "presentation"},
    "demo": BASIC | PURE | STORES | {"layout", "jobs", "presentation"},
    "cli": BASIC | PURE | STORES | {"layout", "jobs", "presentation", "watch", "demo"},
    "__main__": frozenset({"cli"}),
    "__init__": frozenset(),
}

NO_DISK = frozenset({"os", "io", "pathlib", "shutil", "sqlite3", "socket", "subprocess", "tempfile", "time"})
"""What pure modules may not import: they are passed what they compute with."""

MAY_CHANGE_DISKS = {
    "places/place_writer.py": "the one module that changes what lies on a drive",
    "home.py": "settings, scratch and locks below the home folder",
}
MAY_REMOVE = {
    "write_own": "the tool's own file that a newer one has superseded",
    "restore_own": "the same, left over by a power cut",
    "delete_own": "a superseded file of the tool's own; never below quarantine",
    "delete_unfinished": "unfinished copies that an interrupted job left",
    "delete_incoming": "one unfinished copy",
    "_rename_noreplace": "the old name, once a hard link has the new one",
    "delete_quarantined": "one bad copy that is in quarantine, by a person's word (docs/decisions/011)",
    "remove_empty_dir": "the folder of one, if it is empty",
}
"""The functions of storing that remove something, each with what it is. What joins them needs a decision."""

DEMO = "demo/"
"""The demo makes its cards in a scratch folder of its own."""

EXCEPTIONS = {
    ("cameras/integrity/hevc_decoder.py", "ctypes"): "hands bytes to the decoder's own library; opens nothing",
    ("places/changes.py", "ctypes"): "asks the kernel to tell of changes; folders are opened for reading",
    ("places/insertion.py", "ctypes"): "statx, for the number of a mounting; only asks",
    ("places/locks.py", "write"): "the note in a lock file that storing or home opened",
    ("cli/shell.py", "write"): "a line to standard error, from a signal handler",
    ("cli/shell.py", "O_WRONLY"): "the null device, once nobody reads standard output",
    (
        "places/copy_writer.py",
        "write",
    ): "the bytes of an unfinished copy, through the descriptor that storing opened",
    ("places/copy_writer.py", "utime"): "the time of that unfinished copy, before it has a name",
    ("places/fs_limits.py", "utime"): "the time of its own trial file below incoming, made by storing",
    (
        "places/handover_folder.py",
        "mkdir",
    ): "the new folder that is handed over, outside every drive (decision 011)",
    ("places/handover_folder.py", "rmdir"): "its own work folders, once they are empty",
    ("bags/inventory.py", "connect"): "SQLite's own temporary database, which vanishes with the check",
    ("catalog/store.py", "connect"): "SQLite keeps the catalog, below the home folder",
    (
        "jobs/inspect/decoder.py",
        "subprocess",
    ): "its own decoder, in a process that can be killed and opens no file",
    ("jobs/background.py", "subprocess"): "a process of our own, from our own code",
    ("watch/notify.py", "subprocess"): "its own sender of messages, in a process that can be killed",
    ("jobs/inspect/decoder_child.py", "fdopen"): "its own standard output",
    (
        "places/non_linux.py",
        "ctypes",
    ): "reading handles past the cache, and which disks a volume is on; nothing else",
    ("places/probe.py", "subprocess"): "asks whether a volume answers, with df and test, which change nothing",
    ("places/non_linux.py", "subprocess"): "the system's own question about a disk, which changes nothing",
}
"""Single calls that look like changes, each with the reason why it is none, or not on a drive."""

FORBIDDEN_ANYWHERE = frozenset(
    [
        "unlink",
        "rename",
        "renames",
        "rmdir",
        "removedirs",
        "rmtree",
        "truncate",
        "ftruncate",
        "write_text",
        "write_bytes",
        "touch",
        "mkfifo",
        "mknod",
        "symlink",
        "symlink_to",
        "hardlink_to",
        "link_to",
        "copyfile",
        "copyfileobj",
        "copytree",
        "copy2",
        "copymode",
        "copystat",
        "chmod",
        "lchmod",
        "fchmod",
        "chown",
        "lchown",
        "fchown",
        "utime",
        "posix_fallocate",
        "sendfile",
        "pwrite",
        "pwritev",
        "writev",
        "copy_file_range",
        "setxattr",
        "removexattr",
        "mkdir",
        "makedirs",
    ]
)
"""Attributes that mean a change to a disk whatever they hang on."""

FORBIDDEN_OF_MODULES = {
    "os": frozenset({"remove", "replace", "link", "write", "system", "popen", "posix_spawn", "fork", "startfile"}),
    "shutil": frozenset({"move", "copy"}),
    "sqlite3": frozenset({"connect"}),
}
WRITE_FLAGS = frozenset({"O_WRONLY", "O_RDWR", "O_CREAT", "O_TRUNC", "O_APPEND", "O_EXCL", "O_TMPFILE"})
FORBIDDEN_MODULES = frozenset({"ctypes", "subprocess", "tempfile", "_ctypes", "cffi"})
OPENERS = frozenset({"open", "FileIO", "fdopen", "NamedTemporaryFile", "TemporaryFile", "ZipFile", "GzipFile"})


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def module_name(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


def top_package(name: str) -> str:
    return name.split("/")[0].removesuffix(".py")


def imported_packages(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """Yield each top-level package that a module imports, wherever in the module, and the line."""
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports name the whole way"
            if node.module == "tripleguard":
                for alias in node.names:
                    yield alias.name, node.lineno
            elif (node.module or "").startswith("tripleguard."):
                yield (node.module or "").split(".")[1], node.lineno
        elif isinstance(node, ast.Import):
            for alias in node.names:
                if alias.name.startswith("tripleguard."):
                    yield alias.name.split(".")[1], node.lineno


def wrong_imports(name: str, tree: ast.AST) -> list[str]:
    package = top_package(name)
    allowed = MAY_IMPORT[package] | {package, "__init__"}
    return [
        f"{name}:{line}: {package} may not import {other}"
        for other, line in imported_packages(tree)
        if other not in allowed
    ]


class Changes(ast.NodeVisitor):
    """Finds what could change a disk in one module: (word, line)."""

    def __init__(self) -> None:
        self.found: list[tuple[str, int]] = []

    def visit_Import(self, node: ast.Import) -> None:
        for alias in node.names:
            top = alias.name.split(".")[0]
            if top in FORBIDDEN_MODULES:
                self.found.append((top, node.lineno))
            elif top in ("os", "shutil", "sqlite3", "io") and alias.asname not in (None, top):
                self.found.append((f"{top} under another name", node.lineno))

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        top = (node.module or "").split(".")[0]
        if top in FORBIDDEN_MODULES:
            self.found.append((top, node.lineno))
        for alias in node.names:
            bad = alias.name in FORBIDDEN_OF_MODULES.get(top, ()) or alias.name in WRITE_FLAGS
            foreign = top in ("os", "shutil", "io", "pathlib")
            if bad or (foreign and alias.name in FORBIDDEN_ANYWHERE | {"open", "*"}):
                self.found.append((alias.name, node.lineno))

    def visit_Attribute(self, node: ast.Attribute) -> None:
        owner = node.value.id if isinstance(node.value, ast.Name) else ""
        if (
            node.attr in FORBIDDEN_ANYWHERE
            or node.attr in WRITE_FLAGS
            or node.attr in FORBIDDEN_OF_MODULES.get(owner, ())
            or (owner == "os" and node.attr.startswith(("exec", "spawn")))
        ):
            self.found.append((node.attr, node.lineno))
        self.generic_visit(node)

    def visit_Call(self, node: ast.Call) -> None:
        called = node.func
        word = (
            called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""
        )
        if word in ("getattr", "attrgetter", "methodcaller"):
            for argument in node.args:
                if isinstance(argument, ast.Constant) and argument.value in self._every_word():
                    self.found.append((str(argument.value), node.lineno))
        if word in OPENERS:
            self._look_at_opening(node, word, is_method=isinstance(called, ast.Attribute))
        if word == "replace" and isinstance(called, ast.Attribute) and len(node.args) == 1 and not node.keywords:
            # A text's or a date's replace never has one plain argument; a path's always has.
            self.found.append((word, node.lineno))
        if word in ("eval", "exec", "__import__"):
            self.found.append((word, node.lineno))
        self.generic_visit(node)

    def _look_at_opening(self, node: ast.Call, word: str, *, is_method: bool) -> None:
        of_os = is_method and isinstance(node.func, ast.Attribute) and ast.unparse(node.func.value) == "os"
        # The first argument of anything but a method named open is what is opened, not how.
        arguments = [
            *node.args[0 if word == "open" and is_method else 1 :],
            *(key.value for key in node.keywords if key.arg in ("mode", "flags")),
        ]
        for argument in arguments:
            if isinstance(argument, ast.Constant) and self._means_writing(argument.value):
                self.found.append((word, node.lineno))
        # A mode that is worked out can't be judged here, so it is not allowed to be.
        judged = node.args[1:2] if word != "open" or not is_method else []
        judged += [key.value for key in node.keywords if key.arg == "mode"]
        if not of_os and any(not isinstance(argument, ast.Constant) for argument in judged):
            self.found.append((word, node.lineno))

    @staticmethod
    def _means_writing(value: object) -> bool:
        if isinstance(value, bool):
            return False
        if isinstance(value, int):
            return value & 0o3 != 0
        return isinstance(value, str) and bool(
            re.fullmatch(r"[rwaxbtU+]{1,4}", value) and set(value) & set("wax+")
        )

    @staticmethod
    def _every_word() -> frozenset[str]:
        return FORBIDDEN_ANYWHERE | WRITE_FLAGS | frozenset().union(*FORBIDDEN_OF_MODULES.values())


def changes_in(name: str, source: str) -> list[str]:
    """What in this module could change a disk and is not allowed to, as lines for a person."""
    if name in MAY_CHANGE_DISKS or name.startswith(DEMO):
        return []
    visitor = Changes()
    visitor.visit(ast.parse(source))
    return [
        f"{name}:{line}: {word}" for word, line in sorted(set(visitor.found)) if (name, word) not in EXCEPTIONS
    ]


@pytest.mark.parametrize("path", modules(), ids=module_name)
def test_imports_run_downward(path: Path) -> None:
    name = module_name(path)
    assert top_package(name) in MAY_IMPORT, f"say in MAY_IMPORT in which layer {top_package(name)} lies"
    assert wrong_imports(name, ast.parse(path.read_text(encoding="utf-8"))) == []


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("model.py", "from tripleguard import rules"),
        ("rules.py", "from tripleguard.catalog.store import Catalog"),
        ("catalog/new.py", "def f():\n    from tripleguard.places.drive import Drive"),
        ("cameras/new.py", "import tripleguard.places.card"),
        ("places/new.py", "from tripleguard.jobs.context import JobContext"),
        ("jobs/new.py", "from tripleguard.presentation import text"),
        ("presentation/new.py", "from tripleguard.cli.shell import print_lines"),
    ],
)
def test_an_import_upward_is_found(name: str, source: str) -> None:
    assert len(wrong_imports(name, ast.parse(source))) == 1


CONCRETE_PLACES = frozenset(
    {
        "card",
        "copy_writer",
        "discovery",
        "drive",
        "handover_folder",
        "local",
        "object_store",
        "offsite_folder",
        "place_writer",
        "s3",
        "stable_folder",
        "uploaders",
    }
)
"""The modules of `places` that are one kind of place; jobs know places by `places.base` alone."""

MAY_KNOW_A_PLACE = {
    "jobs/handover/": frozenset({"copy_writer", "handover_folder"}),
    "jobs/offsite/": frozenset({"object_store", "offsite_folder", "s3", "uploaders"}),
}
"""What still knows the kind of its place: a handover makes one folder, and an upload speaks with its server."""


def concrete_places(name: str, tree: ast.AST) -> set[str]:
    """Return the concrete places that a module of jobs imports and may not."""
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            paths = [node.module or "", *(f"{node.module}.{alias.name}" for alias in node.names)]
        elif isinstance(node, ast.Import):
            paths = [alias.name for alias in node.names]
        else:
            continue
        parts = [path.split(".") for path in paths]
        found |= {path[2] for path in parts if path[:2] == ["tripleguard", "places"] and len(path) > 2}
    allowed = next((may for prefix, may in MAY_KNOW_A_PLACE.items() if name.startswith(prefix)), frozenset())
    return (found & CONCRETE_PLACES) - allowed


@pytest.mark.parametrize(
    "path", [path for path in modules() if top_package(module_name(path)) == "jobs"], ids=module_name
)
def test_jobs_import_no_concrete_place(path: Path) -> None:
    assert concrete_places(module_name(path), ast.parse(path.read_text(encoding="utf-8"))) == set()


@pytest.mark.parametrize(
    "source",
    [
        "from tripleguard.places.drive import Drive",
        "from tripleguard.places import card",
        "import tripleguard.places.object_store",
        "def f():\n    from tripleguard.places.s3.bucket import S3Bucket",
    ],
)
def test_a_job_that_imports_a_concrete_place_is_found(source: str) -> None:
    assert len(concrete_places("jobs/rescan/new.py", ast.parse(source))) == 1


def test_every_concrete_place_is_there() -> None:
    there = {path.stem for path in (PACKAGE / "places").iterdir()}
    assert there >= CONCRETE_PLACES


@pytest.mark.parametrize(
    "path", [path for path in modules() if top_package(module_name(path)) in PURE | {"model"}], ids=module_name
)
def test_pure_modules_import_nothing_that_does_io(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    tops = {
        name.split(".")[0]
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert not tops & NO_DISK


@pytest.mark.parametrize("path", modules(), ids=module_name)
def test_only_the_listed_modules_can_change_a_disk(path: Path) -> None:
    assert changes_in(module_name(path), path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "line",
    [
        "os.unlink(path)",
        "os.remove(path)",
        "os.replace(one, other)",
        "os.rename(one, other, src_dir_fd=3)",
        "os.truncate(path, 0)",
        "os.ftruncate(3, 0)",
        "os.rmdir(path)",
        "shutil.rmtree(path)",
        "shutil.move(one, other)",
        "shutil.copyfile(one, other)",
        "path.unlink(missing_ok=True)",
        "path.rename(other)",
        "path.replace(other)",
        "path.touch()",
        "path.rmdir()",
        "path.write_text('x')",
        "path.write_bytes(b'x')",
        "path.chmod(0)",
        "gone = path.unlink",
        "open(path, 'w')",
        "open(path, mode='ab')",
        "open(path, 'r+b')",
        "open(path, 'x')",
        "open(path, how)",
        "path.open('w')",
        "path.open(mode=how)",
        "io.open(path, 'wb')",
        "io.FileIO(path, 'w')",
        "os.fdopen(3, 'wb')",
        "os.open(path, os.O_WRONLY)",
        "os.open(path, os.O_RDWR | os.O_CREAT)",
        "os.open(path, 1)",
        "folder.open(path, os.O_WRONLY | os.O_TRUNC)",
        "flags = os.O_CREAT",
        "os.write(3, b'x')",
        "os.system('rm x')",
        "os.execv(path, [])",
        "getattr(os, 'unlink')(path)",
        "getattr(os, 'O_CREAT', 0)",
        "from os import unlink",
        "from os import remove as forget",
        "from os import O_CREAT",
        "from shutil import rmtree",
        "from os import *",
        "import os as system",
        "import subprocess",
        "import ctypes",
        "sqlite3.connect(path)",
        "exec(source)",
    ],
)
def test_a_disk_change_in_any_other_module_is_found(line: str) -> None:
    source = (
        "import io\nimport os\nimport shutil\nimport sqlite3\n\ndef f(path, one, other, how, folder, source):\n"
    )
    source = f'"""A module."""\n{source}    {line}\n'
    if "*" in line:
        source = f"{line}\n"
    assert changes_in("jobs/new.py", source), line
    assert changes_in("home.py", source) == []


@pytest.mark.parametrize(
    "line",
    [
        "text.replace('a', 'b')",
        "when.replace(tzinfo=None)",
        "values.remove(3)",
        "open(path)",
        "open(path, 'rb')",
        "path.open('rb')",
        "os.open(path, os.O_RDONLY | os.O_DIRECTORY)",
        "folder.open(path, flags)",
        "io.FileIO(3, 'r')",
        "shutil.disk_usage(path)",
        "getattr(os, 'O_DIRECT', 0)",
    ],
)
def test_reading_is_not_taken_for_a_change(line: str) -> None:
    assert changes_in("jobs/new.py", f'"""A module."""\nimport os\n{line}\n') == []


def functions_that(words: set[str], source: str) -> dict[str, set[str]]:
    """By the name of a function, which of these attributes are called in it."""
    found: dict[str, set[str]] = {}
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef):
            inside = {one.attr for one in ast.walk(node) if isinstance(one, ast.Attribute)} & words
            if inside:
                found[node.name] = inside
    return found


def test_what_removes_something_from_a_drive_is_known_by_name() -> None:
    source = (PACKAGE / "places/place_writer.py").read_text(encoding="utf-8")
    found = functions_that({"unlink", "rmdir", "remove", "rmtree", "truncate", "ftruncate", "replace"}, source)
    assert found.keys() == MAY_REMOVE.keys()
    assert [name for name, words in found.items() if words == {"rmdir"}] == ["remove_empty_dir"]
    assert all(words <= {"unlink", "rmdir"} for words in found.values())


def test_only_a_person_at_the_command_line_can_purge_a_quarantine() -> None:
    """Not a job, not the watch, not the demo: one job calls what removes, and one command calls that job."""
    calls: dict[str, set[str]] = {
        "delete_quarantined": set(),
        "purge_quarantine": set(),
        "jobs.repair.purge": set(),
    }
    for path in modules():
        source = path.read_text(encoding="utf-8")
        for word, where in calls.items():
            if word in source:
                where.add(module_name(path))
    interface = {"places/base.py", "places/drive.py"}
    assert calls["delete_quarantined"] == {"places/place_writer.py", "jobs/repair/purge.py"} | interface
    for name in interface:
        source = (PACKAGE / name).read_text(encoding="utf-8")
        assert source.count("delete_quarantined") <= 2, f"{name} only passes it on"
    assert calls["purge_quarantine"] == {"jobs/repair/purge.py", "cli/quarantine.py"}
    assert calls["jobs.repair.purge"] == {"cli/quarantine.py", "presentation/quarantine.py"}


def test_every_exception_is_still_needed() -> None:
    for name, word in EXCEPTIONS:
        visitor = Changes()
        visitor.visit(ast.parse((PACKAGE / name).read_text(encoding="utf-8")))
        assert word in {found for found, _ in visitor.found}, f"{name} needs no exception for {word} any more"


def test_nobody_who_may_write_freely_gets_hold_of_what_changes_drives() -> None:
    for path in modules():
        name = module_name(path)
        if name == "home.py" or name.startswith(DEMO):
            assert "tripleguard.places.place_writer" not in path.read_text(encoding="utf-8"), name


@pytest.mark.parametrize("path", modules(), ids=module_name)
def test_a_module_has_a_docstring_and_a_bounded_length(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    lines = source.count("\n")
    assert lines <= LONGEST, f"{lines} lines: split it by purpose"
    story = ast.get_docstring(ast.parse(source))
    if path.name != "__main__.py":
        assert story, "a module says first what it holds"


def test_every_command_that_the_help_names_is_there() -> None:
    context = click.Context(root_command)
    for name in root_command.list_commands(context):
        command = root_command.get_command(context, name)
        assert command is not None
        assert command.name == name
        assert command.help


def test_the_commands_in_the_readme_exist() -> None:
    """Every `tripleguard ...` in code in the README parses: the command and each of its options are real."""
    text = (PROJECT / "README.md").read_text(encoding="utf-8")
    code = re.findall(r"```[a-z]*\n(.*?)```", text, re.DOTALL) + re.findall(r"(?<!`)`([^`\n]+)`(?!`)", text)
    used = [found for piece in code for found in re.findall(r"(?:^|\s)tripleguard +([^\n#]+)", piece)]
    assert {"setup", "offload"} <= {word for line in used for word in line.split()}
    for line in used:
        check_command_line(line)


def test_a_command_that_does_not_exist_is_found_in_a_readme() -> None:
    for line in ("offlode CARD", "offload CARD --shout x", "drives ad A /x", "--hom x report"):
        with pytest.raises(AssertionError):
            check_command_line(line)


def check_command_line(line: str) -> None:
    words = textwrap.dedent(line).split()
    command: click.Command | None = root_command
    while words:
        word = words.pop(0)
        assert command is not None
        if word.startswith("-"):
            options = {name for parameter in command.params for name in parameter.opts} | {
                "--help",
                "-h",
                "--version",
            }
            assert word.split("=")[0] in options, f"{command.name} has no {word}: {line}"
            takes_value = any(
                word in parameter.opts and isinstance(parameter, click.Option) and not parameter.is_flag
                for parameter in command.params
            )
            if takes_value and "=" not in word and words:
                words.pop(0)
        elif isinstance(command, click.Group):
            if word.isupper():
                return  # a stand-in for any command
            found = command.get_command(click.Context(command), word)
            assert found is not None, f"there is no {word}: {line}"
            command = found


REMOVES_OFFSITE = {
    "places/object_store.py": "superseded snapshots of the catalog, below the tool's own prefix",
    "places/s3/bucket.py": "probes of its own, and unfinished uploads of its own",
}
"""The rooms that may take something away from an object store, and what."""


def test_nothing_offsite_is_removed_renamed_or_copied_over_but_by_two_rooms() -> None:
    for path in modules():
        name = module_name(path)
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            of_store = isinstance(node, ast.Attribute) and ast.unparse(node.value) == "obstore"
            if of_store and isinstance(node, ast.Attribute) and node.attr in ("delete", "rename", "copy"):
                assert name in REMOVES_OFFSITE, f"{name}:{node.lineno}"
            if isinstance(node, ast.Constant) and node.value == "DELETE":
                assert name in REMOVES_OFFSITE, f"{name}:{node.lineno}"


def duplicate_class_names(sources: dict[str, str]) -> dict[str, list[str]]:
    """Return each class name that several modules define, with those modules."""
    defined: dict[str, list[str]] = {}
    for module, source in sources.items():
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.ClassDef):
                defined.setdefault(node.name, []).append(module)
    return {name: where for name, where in defined.items() if len(where) > 1}


def test_no_two_classes_share_a_name() -> None:
    assert duplicate_class_names({module_name(path): path.read_text(encoding="utf-8") for path in modules()}) == {}


def test_two_classes_of_one_name_are_found() -> None:
    assert duplicate_class_names({"a.py": "class Task: ...", "b.py": "class Task: ..."}) == {
        "Task": ["a.py", "b.py"]
    }


MAY_HOLD_SQL = {
    "bags/inventory.py": "compares the lists of a bag in a scratch database of its own, not in the catalog"
}
STATEMENT = re.compile(
    r"\b(SELECT\b.+\bFROM\b|INSERT (OR \w+ )?INTO\b|UPDATE \w+ SET\b|DELETE FROM\b|SELECT \d|PRAGMA \w+)",
    re.DOTALL,
)
QUERY_METHODS = frozenset(
    {"execute", "executemany", "executescript", "fetch_one", "fetch_all", "iter_rows", "fetchone", "fetchall"}
)


def find_sql(tree: ast.AST) -> list[str]:
    """Return what in a module is a statement of SQL, or hands one to a connection."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and STATEMENT.search(node.value):
            found.append(f"line {node.lineno}: {node.value[:60]!r}")
        elif (
            isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in QUERY_METHODS
        ):
            found.append(f"line {node.lineno}: .{node.func.attr}()")
        elif isinstance(node, ast.JoinedStr):
            text = "".join(str(part.value) if isinstance(part, ast.Constant) else "x" for part in node.values)
            if STATEMENT.search(text):
                found.append(f"line {node.lineno}: {text[:60]!r}")
    return found


@pytest.mark.parametrize("path", modules(), ids=module_name)
def test_only_the_catalog_holds_sql(path: Path) -> None:
    name = module_name(path)
    if top_package(name) != "catalog" and name not in MAY_HOLD_SQL:
        assert find_sql(ast.parse(path.read_text())) == []


@pytest.mark.parametrize(
    "source",
    [
        """ctx.catalog.fetch_one(question)""",
        """rows = f"SELECT {COLUMNS} FROM copies c WHERE c.id = ?\"""",
        """x = ("SELECT count(*)"\n " FROM copies")""",
        """x = "UPDATE copies SET state = 'present'\"""",
        """x = "INSERT OR IGNORE INTO shared_files (file_id) VALUES (?)\"""",
        """x = "DELETE FROM copies\"""",
    ],
)
def test_sql_outside_the_catalog_would_be_noticed(source: str) -> None:
    assert find_sql(ast.parse(source)) != []


def test_the_modules_that_may_hold_sql_hold_some() -> None:
    for name in MAY_HOLD_SQL:
        assert find_sql(ast.parse((PACKAGE / name).read_text())) != []
