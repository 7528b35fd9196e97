"""Installs and removes the service that runs `tripleguard watch`: by systemd, launchd, or the Windows scheduler.

`install` writes one file into the user's own folder and hands it to the system; `remove` takes both back; `show`
prints the file. Nothing needs an administrator.
"""

from __future__ import annotations

import argparse
import os
import plistlib
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape

NAME = "tripleguard-watch"
LABEL = "tripleguard.watch"
_SYSTEMS = {"linux": "linux", "darwin": "darwin", "win32": "windows"}

_UNIT = """\
[Unit]
Description=tripleguard watch: cards, drives, folders, and the nights

[Service]
ExecStart={command}
Restart=on-failure
RestartSec=5
# It ends in good order within two seconds; whatever is cut off goes on at the next start.
TimeoutStopSec=10
UMask=0077
NoNewPrivileges=yes
# The system is read-only. What is mounted later comes in as it is mounted.
ProtectSystem=strict
ReadWritePaths={writable}
PrivateTmp=yes
ProtectControlGroups=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
LockPersonality=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service

[Install]
WantedBy=default.target
"""

_TASK = """\
<?xml version="1.0" encoding="UTF-16"?>
<Task version="1.2" xmlns="http://schemas.microsoft.com/windows/2004/02/mit/task">
  <RegistrationInfo>
    <Description>tripleguard watch: cards, drives, folders, and the nights</Description>
  </RegistrationInfo>
  <Triggers><LogonTrigger><Enabled>true</Enabled></LogonTrigger></Triggers>
  <Principals>
    <Principal id="Author"><LogonType>InteractiveToken</LogonType><RunLevel>LeastPrivilege</RunLevel></Principal>
  </Principals>
  <Settings>
    <MultipleInstancesPolicy>IgnoreNew</MultipleInstancesPolicy>
    <DisallowStartIfOnBatteries>false</DisallowStartIfOnBatteries>
    <StopIfGoingOnBatteries>false</StopIfGoingOnBatteries>
    <ExecutionTimeLimit>PT0S</ExecutionTimeLimit>
    <RestartOnFailure><Interval>PT1M</Interval><Count>60</Count></RestartOnFailure>
    <Hidden>true</Hidden>
  </Settings>
  <Actions Context="Author">
    <Exec><Command>{program}</Command><Arguments>{arguments}</Arguments></Exec>
  </Actions>
</Task>
"""


@dataclass(frozen=True)
class Wish:
    """What the service is to run: the program, its arguments, and the home whose watch it is (None: the usual)."""

    program: Path
    home: Path | None
    writable: tuple[str, ...] = ()

    @property
    def arguments(self) -> list[str]:
        return [*(["--home", str(self.home)] if self.home else []), "watch", "--quiet"]


def systemd_unit(wish: Wish) -> str:
    """The user unit, hardened; see systemd.exec(5)."""
    command = " ".join(_systemd_word(word) for word in [str(wish.program), *wish.arguments])
    home = str(wish.home) if wish.home else "%h/.local/share/tripleguard"
    places = [home if home.startswith("%") else home.replace("%", "%%"), "/media", "/run/media", "/mnt"]
    places += [path.replace("%", "%%") for path in wish.writable]
    return _UNIT.format(command=command, writable=" ".join(f'"-{path}"' for path in places))


def launchd_agent(wish: Wish) -> str:
    """The agent; see launchd.plist(5)."""
    return plistlib.dumps(
        {
            "Label": LABEL,
            "ProgramArguments": [str(wish.program), *wish.arguments],
            "RunAtLoad": True,
            "KeepAlive": {"SuccessfulExit": False},
            "ThrottleInterval": 10,
            "ExitTimeOut": 10,
            "ProcessType": "Standard",
            "Umask": 0o077,
        }
    ).decode()


def windows_task(wish: Wish) -> str:
    """The task; see the Task Scheduler schema."""
    arguments = subprocess.list2cmdline(wish.arguments)
    return _TASK.format(program=escape(str(wish.program)), arguments=escape(arguments))


_FORMS = {"linux": systemd_unit, "darwin": launchd_agent, "windows": windows_task}


def place(system: str) -> Path:
    """Where the user's own service files lie."""
    if system == "linux":
        config = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
        return config / "systemd" / "user" / f"{NAME}.service"
    if system == "darwin":
        return Path.home() / "Library" / "LaunchAgents" / f"{LABEL}.plist"
    return Path(tempfile.gettempdir()) / f"{NAME}.xml"


def install(system: str, text: str, *, start: bool) -> None:
    """Write the file and have the system run it, now and at every login."""
    path = place(system)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-16" if system == "windows" else "utf-8")
    print(f"Written: {path}")
    if not start:
        return
    if system == "linux":
        _run("systemctl", "--user", "daemon-reload")
        _run("systemctl", "--user", "enable", "--now", NAME)
    elif system == "darwin":
        _run("launchctl", "bootout", f"gui/{os.getuid()}/{LABEL}", may_fail=True)
        _run("launchctl", "bootstrap", f"gui/{os.getuid()}", str(path))
    else:
        _run("schtasks", "/Create", "/F", "/TN", NAME, "/XML", str(path))
        path.unlink()
        _run("schtasks", "/Run", "/TN", NAME)
    print("The watch runs now and at every login. `tripleguard status` shows what it does.")


def remove(system: str, *, start: bool) -> None:
    """Stop it and take the file away; nothing else is touched."""
    path = place(system)
    if start and system == "linux":
        _run("systemctl", "--user", "disable", "--now", NAME, may_fail=True)
    elif start and system == "darwin":
        _run("launchctl", "bootout", f"gui/{os.getuid()}/{LABEL}", may_fail=True)
    elif start:
        _run("schtasks", "/End", "/TN", NAME, may_fail=True)
        _run("schtasks", "/Delete", "/F", "/TN", NAME, may_fail=True)
    path.unlink(missing_ok=True)
    if start and system == "linux":
        _run("systemctl", "--user", "daemon-reload", may_fail=True)
    print("Removed. Home, catalog and drives are as they were.")


def main(given: Sequence[str]) -> int:
    parser = argparse.ArgumentParser(prog="scripts/service", description=__doc__)
    parser.add_argument("action", choices=["install", "remove", "show"])
    parser.add_argument("--home", type=Path, help="the home whose watch it is (default: the usual one)")
    parser.add_argument("--program", type=Path, help="the tripleguard to run (default: this checkout's)")
    parser.add_argument("--system", choices=sorted(_FORMS), default=_SYSTEMS.get(sys.platform, "linux"))
    parser.add_argument(
        "--writable", action="append", default=[], metavar="PATH", help="a drive that lies elsewhere than usual"
    )
    parser.add_argument("--no-start", action="store_true", help="only write or remove the file")
    asked = parser.parse_args(given)
    wish = Wish(
        asked.program or _program(),
        asked.home.expanduser().absolute() if asked.home else None,
        tuple(os.path.abspath(path) for path in asked.writable),
    )
    text = _FORMS[asked.system](wish)
    if asked.action == "show":
        print(text, end="")
    elif asked.action == "install":
        install(asked.system, text, start=not asked.no_start)
    else:
        remove(asked.system, start=not asked.no_start)
    return 0


def _program() -> Path:
    """The tripleguard of this checkout, or the one on the path."""
    root = Path(__file__).resolve().parent.parent.parent
    for path in (root / ".venv/bin/tripleguard", root / ".venv/Scripts/tripleguard.exe"):
        if path.exists():
            return path
    found = shutil.which("tripleguard")
    if found is None:
        sys.exit("tripleguard is not installed: run scripts/environment first, or say --program.")
    return Path(found)


def _systemd_word(word: str) -> str:
    """A word of a command line as systemd reads it; see systemd.service(5), command lines."""
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{escaped}"'


def _run(*words: str, may_fail: bool = False) -> None:
    done = subprocess.run(words, check=False)
    if done.returncode != 0 and not may_fail:
        sys.exit(f"{' '.join(words)} failed; the file stays where it was written, and nothing else was changed.")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
