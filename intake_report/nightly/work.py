"""Campaigns, each rendered in a process of its own: forked here from one that has loaded everything, or on a cluster.

The loaded process sees what a kernel sees of its user: nothing. It ends with whoever started it, and what it forked with it.
"""

import json
import os
import re
import shutil
import signal
import socket
import subprocess
import tempfile
import threading
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any, NoReturn, TextIO

from intake_report.__main__ import isolated
from intake_report.errors import MachineError
from intake_report.kernel import (
    SpareKernel,
    die_with_parent,
    divert_output,
    kernel_environment,
    load_modules,
)
from intake_report.nightly.outcome import render_campaign
from intake_report.provenance import package_versions, source_hash

TRIES = 2  # loaded processes that an attempt may lose
LOADING = 300.0  # s that the loaded process may take until it begins a campaign
DYING = 0.5  # s that a process may take to be gone after its sockets are
LOOK = 0.05  # s between two looks at the memory of a campaign, which grows by some 100 MB in that time at most
MODULES = ("scipy.spatial", "pyproj", "shapely")  # beside those of every render


class Loaded:
    """The loaded process, seen from the one that gives it work."""

    def __init__(self) -> None:
        self.folder = tempfile.mkdtemp(prefix="intake-report-")
        self.control, theirs = socket.socketpair()
        self.stopped = False  # by us: what it was doing is not to be done again
        self.process = subprocess.Popen(
            isolated(f"from intake_report.nightly.work import serve\nserve({theirs.fileno()}, {self.folder!r})"),
            env=kernel_environment(Path(self.folder)),
            pass_fds=[theirs.fileno()],
            stdin=subprocess.DEVNULL,
            start_new_session=True,  # an interrupt at the terminal is for the night, which ends the work itself
        )
        theirs.close()

    def end(self) -> None:
        """End it and what it forked."""
        self.control.close()
        self.process.kill()
        self.process.wait()
        shutil.rmtree(self.folder, ignore_errors=True)


current: list[Loaded] = []  # one, or none
_guard = threading.Lock()


def attempt(job: dict[str, Any]) -> dict[str, Any]:
    """Have one campaign rendered on this machine and return the outcome; any thread may ask.

    A loaded process that ends (memory ran out, somebody killed it) takes the attempts of other campaigns with it: they are
    made again with a new one.
    """
    for _ in range(TRIES):
        with _guard:
            if current and current[0].process.poll() is not None:
                current.pop().end()
            if not current:
                current.append(Loaded())
            loaded = current[0]
            ours, theirs = socket.socketpair()
            with theirs, suppress(OSError):  # it may have ended just now
                socket.send_fds(loaded.control, [b"."], [theirs.fileno()])
        pid = 0
        try:
            with ours, ours.makefile("rw") as line:
                ours.settimeout(LOADING)
                print(json.dumps(job), file=line, flush=True)
                pid = int(line.readline() or 0)
                ours.settimeout(job["seconds"])  # from now on, when its work begins
                if answer := line.readline():
                    with suppress(TimeoutError):
                        line.read()  # until it has ended, and its kernel
                    outcome: dict[str, Any] = json.loads(answer)
                    return outcome
        except TimeoutError:
            if not pid:
                loaded.process.kill()
                return failed(f"the process that renders was not ready after {LOADING / 60:g} min, and was ended.")
            with suppress(OSError):
                os.killpg(pid, signal.SIGKILL)
            return failed(f"it was not done after {job['seconds'] / 60:g} min, the time limit, and was ended.")
        except (OSError, ValueError):  # the other end is gone
            pass
        with suppress(subprocess.TimeoutExpired):
            loaded.process.wait(DYING)
        if loaded.process.poll() is None:
            return failed("its processes were killed; memory may have run out.")
        if loaded.stopped:
            break
    return failed("the process that renders has ended; memory may have run out.")


def failed(reason: str) -> dict[str, Any]:
    """Return the outcome of an attempt that may succeed another time."""
    return {"state": "failed", "reason": reason}


def close() -> None:
    """End all work of this process at once and wait until nothing of it is left."""
    with _guard:
        for loaded in current:
            loaded.stopped = True
            loaded.end()
        current.clear()


@contextmanager
def local(jobs: int) -> Iterator[Executor]:
    """Give threads of this process, each of which waits for a process that renders; all work ends with them."""
    workers = ThreadPoolExecutor(jobs)
    try:
        yield workers
    finally:
        workers.shutdown(wait=False, cancel_futures=True)
        close()


@contextmanager
def cluster(address: str, out: Path, roots: list[Path]) -> Iterator[Executor]:
    """Give the workers of a cluster; a campaign whose worker dies goes to another one.

    Raises MachineError: its package is not installed, nobody answers at the address, or a worker does not see the same files.
    """
    try:
        from distributed import Client
    except ImportError:
        what = "--dask needs dask.distributed."
        raise MachineError(what, remedy="Install it: pip install intake-report[cluster].") from None
    try:
        client = Client(address, timeout="10s")
    except (OSError, ValueError) as error:
        raise MachineError(f"no cluster answers at {address} ({error}).", remedy="Start its scheduler.") from None
    with client:
        with tempfile.NamedTemporaryFile(dir=out, prefix=".nightly-") as sign:
            seen = client.run(_unseen, [sign.name, *(str(root.resolve()) for root in roots)])
        blind = [f"{worker} does not see {place}" for worker, places in sorted(seen.items()) for place in places]
        if blind or not seen:
            what = "; ".join(blind) or "the cluster has no workers"
            raise MachineError(f"{what}.", remedy="Campaigns and reports have to lie on storage that all share.")
        yield client.get_executor(pure=False)


def _unseen(places: list[str]) -> list[str]:
    return [place for place in places if not Path(place).exists()]


# ---- the loaded process ------------------------------------------------------------------------------------------


def serve(control: int, folder: str) -> NoReturn:
    """Load everything, then fork a child for each socket that comes over `control`; end when that is closed."""
    line, own = socket.socket(fileno=control), os.getpid()
    try:
        _load()
        signal.signal(signal.SIGCHLD, signal.SIG_IGN)  # nobody asks how a child ended
        while True:
            data, handles, _, _ = socket.recv_fds(line, 1, 1)
            if not data:
                break
            with socket.socket(fileno=handles[0]) as channel:
                if os.fork() == 0:
                    line.close()
                    _child(channel, own)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        os._exit(0)


def _load() -> None:
    """Load everything, and do once what a first figure and a first page take longer for: fonts, templates, parsers."""
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
    source_hash(), package_versions()  # the same for all campaigns


def _child(channel: socket.socket, parent: int) -> NoReturn:
    """Have one campaign rendered by a process of this one, tell how that ended, and end with everything that was started."""
    try:
        os.setsid()
        die_with_parent(parent)
        signal.signal(signal.SIGCHLD, signal.SIG_DFL)
        with channel.makefile("rw") as line:
            job, own = json.loads(line.readline()), os.getpid()
            print(own, file=line, flush=True)
            renderer = os.fork()
            if renderer == 0:
                _render(job, line, own)
            # the first answer counts: nobody reads this one if the campaign was rendered
            print(json.dumps(failed(_ending(renderer, job["memory"]))), file=line, flush=True)
    finally:
        os._exit(0)


def _ending(renderer: int, limit: int) -> str:
    """Wait until a renderer has ended, or end it where it or its kernel holds more data than `limit` [byte]; say how it was.

    No limit of the system does that: where one is met, a thread that is started may never answer (CPython), and what fails
    says so in many ways.
    """
    while not (ended := os.waitpid(renderer, os.WNOHANG))[0]:
        if max(_data(pid) for pid in (renderer, *_children(renderer))) > limit:
            os.kill(renderer, signal.SIGKILL)  # its kernel ends with it
            os.waitpid(renderer, 0)
            return f"it needed more than {limit / (1 << 30):.3g} GiB of memory, the limit, and was ended."
        time.sleep(LOOK)
    status = os.waitstatus_to_exitcode(ended[1])
    how = f"was killed by signal {-status}" if status < 0 else f"ended with status {status}"
    return f"its process {how}; memory may have run out."


def _data(pid: int) -> int:
    """Return the memory that a process holds, swapped out or not, without files [byte]; 0 if it ended, or this is not Linux."""
    with suppress(OSError):
        status = Path(f"/proc/{pid}/status").read_text()  # proc(5)
        return 1024 * sum(map(int, re.findall(r"^(?:RssAnon|VmSwap):\s+(\d+) kB", status, re.MULTILINE)))
    return 0


def _children(pid: int) -> list[int]:
    with suppress(OSError):
        return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    return []


def _render(job: dict[str, Any], line: TextIO, parent: int) -> NoReturn:
    """Render one campaign, and answer."""
    status = 1
    try:
        die_with_parent(parent)
        with suppress(OSError):
            Path(job["log"]).unlink(missing_ok=True)
            divert_output(job["log"])
        print(json.dumps(render_campaign(job, SpareKernel())), file=line, flush=True)
        status = 0
    finally:
        os._exit(status)
