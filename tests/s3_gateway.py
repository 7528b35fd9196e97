"""A real S3 server on this machine: the Ceph object gateway from Debian's packages, one node, objects in memory.

Started once for all tests that want it, on loopback ports of its own, and ended with them. Where the packages are
missing the tests skip and say so; `scripts/test` installs them on Debian as root. What the settings are for: msgr
v2 together with no authentication never connects, so v1 alone; short intervals make it start in three seconds.
"""

from __future__ import annotations

import ctypes
import http.client
import json
import shutil
import signal
import socket
import subprocess
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from tripleguard.clock import SystemClock
from tripleguard.places.s3.signing import Credentials, build_query_string, escape_path, sign_headers

KEY, SECRET = "testkey", "testsecret"
PROGRAMS = ("monmaptool", "ceph-mon", "ceph", "ceph-osd", "radosgw-admin", "radosgw", "rados")
POOL = "default.rgw.buckets.data"

_SETTINGS = """
[global]
fsid = {fsid}
mon_host = v1:127.0.0.1:{mon}
public_addr = 127.0.0.1
cluster_addr = 127.0.0.1
ms_bind_msgr2 = false
auth_cluster_required = none
auth_service_required = none
auth_client_required = none
mon_allow_pool_size_one = true
mon_data_avail_crit = 1
mon_data_avail_warn = 2
osd_pool_default_size = 1
osd_pool_default_min_size = 1
osd_pool_default_pg_num = 1
osd_pool_default_pgp_num = 1
osd_pool_default_pg_autoscale_mode = off
osd_crush_chooseleaf_type = 0
paxos_propose_interval = 0.05
paxos_min_wait = 0.01
run_dir = {root}/run
admin_socket = {root}/run/$name-$pid.asok
log_file = {root}/$name.log
[mon.a]
mon_data = {root}/mon
[osd.0]
osd_data = {root}/osd
osd_objectstore = memstore
memstore_device_bytes = 2147483648
[client.rgw]
rgw_data = {root}/rgw
rgw_frontends = beast endpoint=127.0.0.1:{port}
rgw_run_sync_thread = false
rgw_thread_pool_size = 16
"""


def missing() -> str:
    """Which programs are not here, for a skip; empty: all are."""
    return ", ".join(program for program in PROGRAMS if shutil.which(program) is None)


@dataclass
class Gateway:
    """A running gateway."""

    root: Path
    port: int

    @property
    def endpoint(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def bucket(self) -> str:
        """A fresh bucket."""
        name = f"tour-{uuid.uuid4().hex[:12]}"
        assert self.ask("PUT", f"/{name}")[0] == 200
        return name

    def ask(
        self, method: str, path: str, query: dict[str, str] | None = None, body: bytes = b"", **headers: str
    ) -> tuple[int, bytes]:
        """One request signed with the test's key, around everything that is tested."""
        import hashlib

        who, host = Credentials(KEY, SECRET), f"127.0.0.1:{self.port}"
        named = {"host": host, **{name.replace("_", "-"): value for name, value in headers.items()}}
        digest = hashlib.sha256(body).hexdigest()
        all_headers = sign_headers(who, "us-east-1", method, path, query or {}, named, digest, SystemClock().now())
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)
        try:
            target = escape_path(path) + (f"?{build_query_string(query)}" if query else "")
            connection.request(method, target, body, all_headers)
            answer = connection.getresponse()
            return answer.status, answer.read()
        finally:
            connection.close()

    def rot(self, bucket: str, key: str) -> None:
        """Change a byte of what is stored, behind the server's back: size, time and ETag stay."""
        words = ["radosgw-admin", "-c", str(self.root / "ceph.conf"), "-n", "client.admin"]
        words += ["bucket", "stats", f"--bucket={bucket}"]
        said = subprocess.run(words, capture_output=True, timeout=60, check=True).stdout
        byte = self.root / "byte"
        byte.write_bytes(b"\x5a")
        self._rados("put", f"{json.loads(said)['id']}_{key}", str(byte), "--offset", "1000")

    def _rados(self, *words: str) -> bytes:
        command = ["rados", "-c", str(self.root / "ceph.conf"), "-p", POOL, *words]
        return subprocess.run(command, capture_output=True, timeout=60, check=True).stdout


@contextmanager
def running(root: Path) -> Iterator[Gateway]:
    """A gateway below root until the end of the block; a machine that is very busy gets a second try.

    Raises RuntimeError where it does not come up.
    """
    with ExitStack() as stack:
        try:
            gateway = stack.enter_context(_started(root / "1"))
        except RuntimeError:
            gateway = stack.enter_context(_started(root / "2"))
        yield gateway


@contextmanager
def _started(root: Path) -> Iterator[Gateway]:
    port, mon = free_port(), free_port()
    for folder in ("mon", "osd", "rgw", "run"):
        (root / folder).mkdir(parents=True)
    conf, map_ = root / "ceph.conf", root / "monmap"
    fsid, osd = str(uuid.uuid4()), str(uuid.uuid4())
    conf.write_text(_SETTINGS.format(fsid=fsid, mon=mon, port=port, root=root))
    started: list[subprocess.Popen[bytes]] = []
    log = (root / "start.log").open("wb")

    def do(*words: str) -> bool:
        command = [words[0], "-c", str(conf), *words[1:]]
        ended = subprocess.run(command, stdout=log, stderr=log, stdin=subprocess.DEVNULL, check=False, timeout=30)
        return ended.returncode == 0

    def run(*words: str) -> None:
        command = [words[0], "-c", str(conf), *words[1:], "-f"]
        started.append(
            subprocess.Popen(command, stdout=log, stderr=log, stdin=subprocess.DEVNULL, preexec_fn=_dies_with_us)
        )

    try:
        do("monmaptool", "--create", "--addv", "a", f"[v1:127.0.0.1:{mon}]", "--fsid", fsid, str(map_))
        do("ceph-mon", "-i", "a", "--mkfs", "--monmap", str(map_))
        run("ceph-mon", "-i", "a")
        _wait(lambda: do("ceph", "--connect-timeout", "5", "-s"), 30)
        do("ceph", "osd", "new", osd, "0")
        # It stays `booting` for ever unless both are told the same id.
        do("ceph-osd", "-i", "0", "--mkfs", "--osd-uuid", osd)
        run("ceph-osd", "-i", "0")

        def up() -> bool:
            # It may ask the monitor before it knows which cluster that is, is refused ("wrong fsid"), and ends.
            if started[-1].poll() is not None:
                run("ceph-osd", "-i", "0")
            return _is_up(conf)

        _wait(up, 30)
        who = (f"--access-key={KEY}", f"--secret-key={SECRET}")
        do("radosgw-admin", "-n", "client.admin", "user", "create", "--uid=t", "--display-name=t", *who)
        run("radosgw", "-n", "client.rgw")
        _wait(lambda: _answers(port), 60)
        yield Gateway(root, port)
    finally:
        # All that they hold is in memory and in a folder that goes: there is nothing to end in good order.
        for process in reversed(started):
            process.kill()
        for process in reversed(started):
            process.wait(10)
        log.close()


def _dies_with_us() -> None:
    """A test run that is killed leaves no server behind (prctl(2), PR_SET_PDEATHSIG)."""
    ctypes.CDLL(None).prctl(1, signal.SIGKILL)


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        port: int = taken.getsockname()[1]
        return port


def _is_up(conf: Path) -> bool:
    words = ["ceph", "-c", str(conf), "osd", "stat"]
    return b"1 up" in subprocess.run(words, capture_output=True, check=False, timeout=30).stdout


def _answers(port: int) -> bool:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    try:
        connection.request("GET", "/")
        return connection.getresponse().status == 200
    except OSError:
        return False
    finally:
        connection.close()


def _wait(done: Callable[[], bool], seconds: float) -> None:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        with suppress(OSError, subprocess.TimeoutExpired):
            if done():
                return
        time.sleep(0.05)
    raise RuntimeError("the gateway did not come up; see start.log beside its settings")
