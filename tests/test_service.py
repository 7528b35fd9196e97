"""The service files: each parses as its system reads it, runs what was asked for, and goes as it came."""

from __future__ import annotations

import os
import plistlib
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import pytest

ROOT = Path(__file__).resolve().parent.parent
TASK = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"
HOME = "/home/ph/my $tour/100%"


def service(*words: str, env: dict[str, str] | None = None) -> str:
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts/servicing/main.py"), *words],
        check=False,
        capture_output=True,
        text=True,
        env={**os.environ, **(env or {})},
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_the_unit_is_one_that_systemd_understands(tmp_path: Path) -> None:
    program = tmp_path / "trip leguard"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit = service("show", "--system", "linux", "--home", HOME, "--program", str(program), "--writable", "/disk b")
    for line in ("NoNewPrivileges=yes", "ProtectSystem=strict", "Restart=on-failure", "WantedBy=default.target"):
        assert line in unit.splitlines()
    started = next(line for line in unit.splitlines() if line.startswith("ExecStart="))
    words = [
        word.replace("$$", "$").replace("%%", "%") for word in shlex.split(started.removeprefix("ExecStart="))
    ]
    assert words == [str(program), "--home", HOME, "watch", "--quiet"]
    assert '"-/disk b"' in unit
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here to verify it")
    path = tmp_path / "tripleguard-watch.service"
    path.write_text(unit)
    done = subprocess.run(
        ["systemd-analyze", "verify", "--user", str(path)],
        check=False,
        capture_output=True,
        text=True,
        env={**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)},
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_the_agent_is_one_that_launchd_reads() -> None:
    agent = plistlib.loads(
        service("show", "--system", "darwin", "--home", HOME, "--program", "/opt/tripleguard").encode()
    )
    assert agent["ProgramArguments"] == ["/opt/tripleguard", "--home", HOME, "watch", "--quiet"]
    assert agent["RunAtLoad"] is True
    assert agent["KeepAlive"] == {"SuccessfulExit": False}


def test_the_task_runs_on_battery_too_and_for_as_long_as_it_likes() -> None:
    task = service("show", "--system", "windows", "--home", HOME, "--program", r"C:\a & b\tripleguard.exe")
    root = ElementTree.fromstring(task.partition("?>")[2])
    said = {element.tag.removeprefix(TASK): element.text for element in root.iter()}
    assert said["Command"] == r"C:\a & b\tripleguard.exe"
    assert said["Arguments"] is not None
    assert said["Arguments"].endswith("watch --quiet")
    assert said["DisallowStartIfOnBatteries"] == said["StopIfGoingOnBatteries"] == "false"
    assert said["ExecutionTimeLimit"] == "PT0S"
    assert said["RunLevel"] == "LeastPrivilege"


@pytest.mark.skipif(sys.platform == "win32", reason="places the files of Linux and macOS")
@pytest.mark.parametrize("system", ["linux", "darwin"])
def test_what_is_installed_by_one_command_is_removed_by_one(tmp_path: Path, system: str) -> None:
    env = {"HOME": str(tmp_path), "XDG_CONFIG_HOME": str(tmp_path / ".config")}
    common = ("--system", system, "--no-start", "--program", "/opt/tripleguard")
    service("install", *common, env=env)
    made = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(made) == 1
    assert "tripleguard" in made[0].name
    service("install", *common, env=env)
    service("remove", *common, env=env)
    assert [path for path in tmp_path.rglob("*") if path.is_file()] == []
    service("remove", *common, env=env)
