"""Run the report template in a kernel that sees nothing of the campaign but its data, and nothing of the user.

A campaign folder is data: the kernel is isolated (``python -I``), starts in an empty folder of its own with empty
configuration folders, and reaches the campaign by a link whose name is the same in every report.
"""

from __future__ import annotations

import ctypes
import gc
import importlib
import json
import logging
import os
import re
import signal
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from intake_report.__main__ import isolated
from intake_report.campaign import Campaign
from intake_report.errors import CampaignError, CampaignErrors, DataError, IntakeReportError, MachineError
from intake_report.provenance import template_path
from intake_report.render.document import ReportMeta

if TYPE_CHECKING:
    from nbformat import NotebookNode

CAMPAIGN_LINK, PREVIOUS, CACHE_LINK = "campaign", "previous.json", "cache"
KEPT = ("PATH", "LD_LIBRARY_PATH")  # of the environment; and what steers the threads of numeric libraries:
KEPT_PREFIXES = ("OPENBLAS_", "OMP_", "MKL_")

# jsonschema, when it is first imported, would compile forty grammars of formats that no notebook has (1 s)
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]

MODULES = (  # with what they import themselves all that every render needs
    "intake_report.analyse", "intake_report.render.sections", "intake_report.render.typst", "intake_report.render.notebook",
    "intake_report.publish", "ipykernel.kernelapp", "papermill", "scipy.stats", "scipy.signal", "typst",
)  # fmt: skip
# what glibc, CPython and Arrow say where no memory is left, or none for the stack of one more thread
OUT_OF_MEMORY = ("Cannot allocate memory", "can't start new thread", "Failed to launch worker thread")
_OPTIONS = ("--InteractiveShellApp.ignore_cwd=True", "--HistoryManager.enabled=False")


def run_notebook(
    campaign: Campaign,
    scratch: Path,
    meta: ReportMeta,
    previous: bytes | None,
    *,
    debug: bool = False,
    spare: SpareKernel | None = None,
    cache: Path | None = None,
) -> NotebookNode:
    """Run the template for one campaign in a fresh kernel and return the executed notebook.

    `scratch` is an empty folder for the kernel's own files, which the caller removes; `previous` is results.json of the
    report before, or a note why it cannot be compared with; `debug` lets errors of the notebook through with their
    traceback; `spare` is the process that becomes the kernel, None starts one; `cache` is the folder of kept steps. What the
    notebook raised is raised, and KeyboardInterrupt after the kernel was ended.
    """
    import nbformat
    from nbclient.exceptions import DeadKernelError
    from papermill.exceptions import PapermillExecutionError

    made: list[Any] = []
    spare = spare or SpareKernel(scratch, quiet=not debug)
    # the address of a Unix socket may have about 100 characters, which a folder of reports could pass
    with spare, tempfile.TemporaryDirectory(prefix="irk-", ignore_cleanup_errors=True) as sockets:
        place = scratch / "kernel"
        place.mkdir()
        (place / CAMPAIGN_LINK).symlink_to(campaign.folder, target_is_directory=True)
        settings: dict[str, Any] = {"campaign_file": f"{CAMPAIGN_LINK}/{campaign.file.name}", "date": meta.date}
        settings |= {"revision": meta.revision, "cache": "" if cache is None else CACHE_LINK}
        if cache is not None:
            cache.mkdir(parents=True, exist_ok=True)
            (place / CACHE_LINK).symlink_to(cache, target_is_directory=True)
        if previous is not None:
            (place / PREVIOUS).write_bytes(previous)
            settings["previous"] = PREVIOUS
        kernels = _manager(scratch, spare)
        # in a thread, so that an interrupt reaches the program and not the middle of papermill's event loop
        run = threading.Thread(target=lambda: made.append(_executed(scratch, sockets, settings, kernels)), daemon=True)
        run.start()
        try:
            run.join()
        finally:
            spare.send_signal(signal.SIGKILL)  # interrupted, or never told what to do
            run.join(timeout=10.0)
    result = made[0]
    if isinstance(result, PapermillExecutionError) and not debug:
        # each line of an error begins with its file, which the notebook knows by the link
        linked = re.compile(rf"^{re.escape(str(settings['campaign_file']))}(?=: )", re.MULTILINE)
        raise as_user_error(result.ename, linked.sub(lambda _: str(campaign.given), result.evalue))
    if type(result) in (DeadKernelError, RuntimeError):  # the latter where it never answered
        what, remedy = "the kernel ended before the report was done.", "Memory may have run out; run it again."
        raise MachineError(what, file=campaign.given, remedy=remedy)
    if isinstance(result, Exception):
        raise result
    executed: NotebookNode = nbformat.reads(nbformat.writes(result), as_version=4)  # as a file would give it back
    return executed


def _executed(scratch: Path, sockets: str, parameters: dict[str, Any], kernels: type) -> Any:
    """Execute the template; return the notebook, or what it failed of."""
    import papermill
    from traitlets.config import Config

    # kernels over TCP race for ports when several run at once; sockets with a prefix of their own do not
    connection = {"transport": "ipc", "ip": f"{sockets}/k", "connection_file": str(scratch / "kernel.json")}
    # whoever starts us is told once, in a sentence of ours
    logging.getLogger("papermill").addHandler(logging.NullHandler())
    settings: dict[str, Any] = {"kernel_name": "python3", "progress_bar": False, "log_output": False}
    settings |= {"config": Config({"KernelManager": connection}), "kernel_manager_class": kernels}
    try:
        # a path to write to would be written twice per cell, all figures so far each time
        return papermill.execute_notebook(template_path(), None, parameters, cwd=scratch / "kernel", **settings)
    except Exception as error:
        return error


class SpareKernel:
    """A process which waits to become a kernel: forked from one that has loaded everything, or new.

    It stands for the process that `jupyter_client` would start, and ends with the one that made it, which must not have
    threads where it forks. A `quiet` one writes what it says besides its answers to a file. `fresh` is an empty folder for
    the files of a new one.
    """

    stdin = stdout = stderr = None

    def __init__(self, fresh: Path | None = None, *, quiet: bool = False) -> None:
        self.quiet = quiet
        orders, self._orders = os.pipe()
        self.returncode: int | None = None
        parent = os.getpid()
        if fresh:
            os.set_inheritable(orders, True)
            start = isolated(f"from intake_report.kernel import become_kernel\nbecome_kernel({orders}, {parent})")
            self.pid = os.posix_spawn(sys.executable, start, kernel_environment(fresh), setsid=True)
        else:
            self.pid = os.fork()
            if self.pid == 0:
                os.close(self._orders)
                become_kernel(orders, parent)
        os.close(orders)

    def __enter__(self) -> None: ...

    def __exit__(self, *_: object) -> None:
        """End it, whether it became a kernel or was never told to."""
        self.send_signal(signal.SIGKILL)
        while self.poll() is None:
            time.sleep(0.01)

    def start(self, **order: Any) -> None:
        """Let it become the kernel: its environment, folder and connection file."""
        # where it was killed meanwhile, that is told when it does not answer
        with suppress(BrokenPipeError), open(self._orders, "w", encoding="utf-8") as pipe:
            json.dump(order, pipe)

    def poll(self) -> int | None:
        """Return its exit status, or None while it lives."""
        if self.returncode is None:
            ended, status = self.pid, 0
            with suppress(ChildProcessError):  # it ended, and whoever started this process ignores how its children end
                ended, status = os.waitpid(self.pid, os.WNOHANG)
            self.returncode = os.waitstatus_to_exitcode(status) if ended else None
        return self.returncode

    wait = poll  # only asked once it has ended

    def send_signal(self, number: int) -> None:
        """Send it a signal, if it lives."""
        if self.poll() is None:
            os.kill(self.pid, number)


def load_once() -> bool:
    """Load everything with the surroundings of a kernel, so that a kernel can be forked from this process.

    False, and nothing is loaded, where this process may have threads or sees its user's settings.
    """
    if not (sys.flags.isolated and hasattr(os, "fork") and threading.active_count() == 1):
        return False
    before, folder = dict(os.environ), os.getcwd()
    with tempfile.TemporaryDirectory() as empty:
        try:
            _surround(empty, kernel_environment(Path(empty)))
            load_modules()
            return True
        finally:
            _surround(folder, before)


def _surround(folder: str, environment: dict[str, str]) -> None:
    os.chdir(folder)
    os.environ.clear()
    os.environ.update(environment)


def load_modules(*more: str) -> None:
    """Import what every render needs, and `more`."""
    for name in (*MODULES, *more):
        importlib.import_module(name)
    gc.freeze()  # what was loaded stays: no look for garbage need go over it again


def die_with_parent(parent: int) -> None:
    """End this process as soon as its parent ends, where the system can do that (Linux); kernels look for it besides."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(1, signal.SIGKILL)  # PR_SET_PDEATHSIG of linux/prctl.h
    if os.getppid() != parent:  # it ended before it was asked
        os._exit(1)


def become_kernel(orders: int, parent: int) -> NoReturn:
    """Wait for the order, then be a kernel until it is told to stop; without an order, end."""
    status = 1
    try:
        die_with_parent(parent)
        with open(orders, encoding="utf-8") as pipe:
            text = pipe.read()
        if text:
            order = json.loads(text)
            with suppress(OSError):  # a new one has its own session
                os.setsid()
            _surround(order["cwd"], order["env"])
            tempfile.tempdir = None
            time.tzset()
            if order["log"]:
                divert_output(order["log"])
            logging.getLogger("matplotlib").setLevel(logging.ERROR)
            from ipykernel.kernelapp import launch_new_instance

            own = (f"--IPKernelApp.parent_handle={parent}", "-f", order["connection"])
            launch_new_instance(argv=[*own, *_OPTIONS])
        status = 0
    finally:
        os._exit(status)


def divert_output(file: str) -> None:
    """Write what this process says to the end of a file, from now on."""
    log = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o666)
    os.dup2(log, 1)
    os.dup2(log, 2)


def _manager(scratch: Path, process: Any) -> type:
    """Return a kernel manager whose kernel is a process that waits for it."""
    from jupyter_client.manager import AsyncKernelManager
    from jupyter_client.provisioning.local_provisioner import LocalProvisioner

    class Waiting(LocalProvisioner):
        async def launch_kernel(self, cmd: list[str], **more: Any) -> Any:  # noqa: ARG002 - it is there already
            log = str(scratch / "kernel.log") if process.quiet else ""
            environment, connection = kernel_environment(scratch), str(scratch / "kernel.json")
            process.start(cwd=str(scratch / "kernel"), env=environment, connection=connection, log=log)
            self.process, self.pid, self.pgid = process, process.pid, process.pid
            return self.connection_info

    class IsolatedKernels(AsyncKernelManager):
        async def _async_pre_start_kernel(self, **more: Any) -> Any:
            self.provisioner = Waiting(parent=self, kernel_id=self.kernel_id or "", kernel_spec=self.kernel_spec)
            return await super()._async_pre_start_kernel(**more)

    return IsolatedKernels


def kernel_environment(scratch: Path) -> dict[str, str]:
    """Return the environment of a kernel: no setting of the user, configuration folders that are empty."""
    kept = {k: v for k, v in os.environ.items() if k in KEPT or k.startswith(KEPT_PREFIXES)}
    # threads for systems of a few dozen unknowns wait for each other, ten times as long as they compute
    kept.setdefault("OPENBLAS_NUM_THREADS", "1")
    # memory of arrays of some MB is used again and not fetched anew for each (glibc; others do not read it)
    kept |= {"MALLOC_MMAP_THRESHOLD_": str(32 << 20), "MALLOC_TRIM_THRESHOLD_": str(256 << 20)}
    home = scratch / "home"
    (home / "tmp").mkdir(parents=True, exist_ok=True)
    folders = ("HOME", "IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "XDG_CONFIG_HOME")
    own = {name: str(home if name == "HOME" else home / name.lower()) for name in folders}
    # the user's cache folder saves the search for fonts; one of our own where it cannot be used
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    usable = os.access(cache if cache.exists() else cache.parent, os.W_OK)
    settings = {"TMPDIR": str(home / "tmp"), "LC_ALL": "C.UTF-8", "TZ": "UTC", "MPLBACKEND": "agg"}
    return {**kept, **own, **settings, "XDG_CACHE_HOME": str(cache if usable else home / "cache")}


def as_user_error(name: str, text: str) -> IntakeReportError:
    """Return an error of the notebook as the error that its code raised; others are named as what they are."""
    if name == "CampaignErrors":
        return CampaignErrors(tuple(CampaignError(line) for line in text.splitlines()))
    if name in ("CampaignError", "DataError"):
        return CampaignError(text) if name == "CampaignError" else DataError(text)
    if name.endswith("MemoryError") or any(sign in text for sign in OUT_OF_MEMORY):
        return MachineError("more memory was needed than there is.", remedy="Free some, or raise the limit.")
    if name in ("OSError", "PermissionError", "FileNotFoundError"):
        return MachineError(f"{text.rstrip('.')}.", remedy="Run it again once that is mended.")
    if name == "CellExecutionError" and not text:  # a cell failed, and its error could not even be told
        what = "the notebook stopped without saying why, as it does where memory runs out."
        return MachineError(what, remedy="Free some, or raise the limit; else run again with --debug.")
    remedy = "This is a fault of the program; run again with --debug and report what it prints."
    return DataError(f"the report could not be computed ({name}: {text}).", remedy=remedy)
