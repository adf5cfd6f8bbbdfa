"""Every campaign in a process of its own, forked from one that has loaded everything; limits of time and memory.

The loaded process sees what a kernel sees of its user: nothing. It and its children end with whoever started it: each
attempt hangs on a socket, and when the other end is closed the attempt is killed.
"""

from __future__ import annotations

import json
import os
import resource
import select
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, NoReturn

import intake_report
from intake_report.kernel import MODULES, SpareKernel, die_with_parent, kernel_environment

_START = """
import sys
sys.path.insert(0, {root!r})
import intake_report
del sys.path[0]
from intake_report.nightly.forge import serve
serve({control}, {folder!r})
"""
LOOKED = 0.1  # s between two looks at what has ended
_MODULES = (*MODULES, "intake_report.nightly.work", "scipy.spatial", "pyproj", "shapely")


class Forge:
    """The loaded process, seen from the one that gives it work; any thread may ask."""

    def __init__(self) -> None:
        self._folder = tempfile.mkdtemp(prefix="intake-report-")
        self._control, theirs = socket.socketpair()
        self._lock = threading.Lock()
        start = _START.format(
            root=str(Path(intake_report.__file__).parents[1]), control=theirs.fileno(), folder=self._folder
        )
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-c", start],
            env=kernel_environment(Path(self._folder)),
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            start_new_session=True,  # an interrupt at the terminal is for the night, which ends the work itself
        )
        theirs.close()

    @property
    def alive(self) -> bool:
        """Whether it takes work."""
        return self._process.poll() is None

    def attempt(self, job: dict[str, Any]) -> dict[str, Any]:
        """Have one campaign rendered and return the outcome; `job` as for `work.render_campaign`."""
        ours, theirs = socket.socketpair()
        end = time.monotonic() + job["seconds"]
        with ours:
            try:
                with self._lock, theirs:
                    socket.send_fds(self._control, [b"."], [theirs.fileno()])
                ours.sendall(json.dumps(job).encode() + b"\n")
                text = b""
                while True:
                    ours.settimeout(max(end - time.monotonic(), 0.01))
                    part = ours.recv(1 << 16)
                    if not part:
                        return _outcome(text)
                    text += part
            except TimeoutError:
                return failed(f"it was not done after {job['seconds'] / 60:g} min, the time limit, and was ended.")
            except OSError as error:
                return failed(f"the process that renders has ended ({error.strerror}).")

    def close(self) -> None:
        """End all work at once and wait until nothing of it is left."""
        self._control.close()
        try:
            self._process.wait(timeout=3.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
        shutil.rmtree(self._folder, ignore_errors=True)


def failed(reason: str) -> dict[str, Any]:
    """Return the outcome of an attempt that may succeed another time."""
    return {"state": "failed", "reason": reason}


def _outcome(text: bytes) -> dict[str, Any]:
    try:
        answer: dict[str, Any] = json.loads(text.partition(b"\n")[0])
    except ValueError:
        return failed("its process ended without a word.")
    if "ended" in answer:
        number = answer["ended"]
        how = f"was killed ({signal.Signals(-number).name})" if number < 0 else f"ended with status {number}"
        return failed(f"its process {how}; memory may have run out.")
    return answer


_current: list[Forge] = []
_guard = threading.Lock()


def attempt(job: dict[str, Any]) -> dict[str, Any]:
    """Have one campaign rendered on this machine, in a process of its own."""
    with _guard:
        if _current and not _current[-1].alive:
            _current.pop().close()
        if not _current:
            _current.append(Forge())
        forge = _current[-1]
    return forge.attempt(job)


def close() -> None:
    """End all work of this process."""
    with _guard:
        while _current:
            _current.pop().close()


# ---- the loaded process ------------------------------------------------------------------------------------------


def serve(control: int, folder: str) -> NoReturn:
    """Load everything, then fork a child for each socket that comes over `control`; end when that is closed."""
    line = socket.socket(fileno=control)
    children: dict[int, socket.socket] = {}
    try:
        _load()
        while True:
            ready, _, _ = select.select([line, *children.values()], [], [], LOOKED if children else None)
            for pid, channel in list(children.items()):
                if channel in ready:  # nothing more is sent: the other end was closed
                    _kill(pid)
            _reap(children)
            if line in ready and not _take(line, children):
                break
    finally:
        for pid in children:
            _kill(pid)
        shutil.rmtree(folder, ignore_errors=True)
        os._exit(0)


def _load() -> None:
    import importlib
    import logging

    from intake_report import provenance

    for name in _MODULES:
        with suppress(Exception):  # what is not loaded here is loaded by each campaign
            importlib.import_module(name)
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    with suppress(Exception):
        _warm(Path(tempfile.mkdtemp()))
    source, packages = provenance.source_hash(), provenance.package_versions()  # the same for all campaigns
    provenance.source_hash, provenance.package_versions = lambda: source, lambda: packages


def _warm(folder: Path) -> None:
    """Do once what a first figure and a first page take longer for: fonts, templates, parsers."""
    from matplotlib.figure import Figure

    from intake_report.render.blocks import Paragraph
    from intake_report.render.fragments import cell_html
    from intake_report.render.numbering import number

    figure = Figure()
    figure.add_subplot().set_title("$x$")
    for suffix in ("svg", "png"):
        figure.savefig(folder / f"x.{suffix}")
    page = (Paragraph("x"),)
    cell_html(page, number(page))


def _take(line: socket.socket, children: dict[int, socket.socket]) -> bool:
    """Start what was asked for; False when nothing more will be."""
    data, handles, _, _ = socket.recv_fds(line, 1, 1)
    if not data:
        return False
    channel = socket.socket(fileno=handles[0])
    with channel.makefile("rb") as stream:
        text = stream.readline()
    if not text:
        channel.close()
        return True
    pid = os.fork()
    if pid == 0:
        for other in (line, *children.values()):
            other.close()
        _child(json.loads(text), channel)
    children[pid] = channel
    return True


def _kill(pid: int) -> None:
    for kill in (os.killpg, os.kill):
        with suppress(OSError):
            kill(pid, signal.SIGKILL)


def _reap(children: dict[int, socket.socket]) -> None:
    while children:
        try:
            pid, status = os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            return
        if pid == 0:
            return
        channel = children.pop(pid, None)
        if channel is not None:
            with suppress(OSError), channel:  # read after the child's own answer, if it gave one
                channel.sendall(json.dumps({"ended": os.waitstatus_to_exitcode(status)}).encode() + b"\n")


def _child(job: dict[str, Any], channel: socket.socket) -> NoReturn:
    """Render one campaign, answer, and end with everything that was started."""
    status = 1
    try:
        os.setsid()
        die_with_parent()
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        limit = int(job["memory"])
        resource.setrlimit(resource.RLIMIT_DATA, (limit, limit))  # of each process: the kernel inherits it
        with suppress(OSError):
            log = os.open(job["log"], os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
            os.dup2(log, 1)
            os.dup2(log, 2)
        spare = SpareKernel()
        from intake_report.nightly.work import render_campaign

        channel.sendall(json.dumps(render_campaign(job, spare)).encode() + b"\n")
        status = 0
    finally:
        os._exit(status)
