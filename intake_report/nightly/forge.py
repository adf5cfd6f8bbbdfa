"""Every campaign in a process of its own, forked from one that has loaded everything; limits of time and memory.

The loaded process sees what a kernel sees of its user: nothing. It and its children end with whoever started it: each
attempt hangs on a socket, and when the other end is closed the attempt is killed.
"""

import json
import os
import resource
import select
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, NoReturn

from intake_report.kernel import SpareKernel, die_with_parent, isolated, kernel_environment, load_modules

TRIES = 2  # loaded processes that an attempt may lose
LOOKED = 0.1  # s between two looks at what has ended
MODULES = ("intake_report.nightly.work", "scipy.spatial", "pyproj", "shapely")  # beside those of every render


class Forge:
    """The loaded process, seen from the one that gives it work; any thread may ask."""

    def __init__(self) -> None:
        self._folder = tempfile.mkdtemp(prefix="intake-report-")
        self._control, theirs = socket.socketpair()
        self._lock = threading.Lock()
        self.stopped = False  # by us: what it was doing is not to be done again
        self.process = subprocess.Popen(
            isolated(f"from intake_report.nightly.forge import serve\nserve({theirs.fileno()}, {self._folder!r})"),
            env=kernel_environment(Path(self._folder)),
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            start_new_session=True,  # an interrupt at the terminal is for the night, which ends the work itself
        )
        theirs.close()

    def attempt(self, job: dict[str, Any]) -> dict[str, Any] | None:
        """Have one campaign rendered and return the outcome; None where the loaded process itself ended."""
        ours, theirs = socket.socketpair()
        end, text = time.monotonic() + job["seconds"], b""
        with ours:
            try:
                with self._lock, theirs:
                    socket.send_fds(self._control, [b"."], [theirs.fileno()])
                ours.sendall(json.dumps(job).encode() + b"\n")
                while True:
                    ours.settimeout(max(end - time.monotonic(), 0.01))
                    part = ours.recv(1 << 16)
                    if not part:
                        break
                    text += part
            except TimeoutError:
                return failed(f"it was not done after {job['seconds'] / 60:g} min, the time limit, and was ended.")
            except OSError:
                text = b""
        return _outcome(text) if text else None

    def close(self) -> None:
        """End all work at once and wait until nothing of it is left."""
        self._control.close()
        try:
            self.process.wait(timeout=2.0)
        except subprocess.TimeoutExpired:  # while it loads, it does not listen
            self.process.kill()
            self.process.wait()
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
    """Have one campaign rendered on this machine, in a process of its own.

    A loaded process that ends (memory ran out, somebody killed it) takes the attempts of other campaigns with it: they are
    made again with a new one.
    """
    for _ in range(TRIES):
        with _guard:
            if not _current:
                _current.append(Forge())
            forge = _current[0]
        outcome = forge.attempt(job)
        if outcome is not None:
            return outcome
        with _guard:
            if forge.stopped:
                break
            if forge in _current:  # else another thread saw it first
                _current.remove(forge)
                forge.close()
    return failed("the process that renders has ended; memory may have run out.")


def close() -> None:
    """End all work of this process."""
    with _guard:
        while _current:
            forge = _current.pop()
            forge.stopped = True
            forge.close()


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
    """Load everything, and do once what a first figure and a first page take longer for: fonts, templates, parsers."""
    import logging

    from intake_report import provenance

    with suppress(Exception):  # what is not loaded here is loaded by each campaign
        load_modules(*MODULES)
        from matplotlib.figure import Figure

        from intake_report.render.blocks import Paragraph
        from intake_report.render.document import number
        from intake_report.render.html import cell_html

        figure, folder = Figure(), Path(tempfile.mkdtemp())
        figure.add_subplot().set_title("$x$")
        for suffix in ("svg", "png"):
            figure.savefig(folder / f"x.{suffix}")
        page = (Paragraph("x"),)
        cell_html(page, number(page))
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    source, packages = provenance.source_hash(), provenance.package_versions()  # the same for all campaigns
    provenance.source_hash, provenance.package_versions = lambda: source, lambda: packages


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
