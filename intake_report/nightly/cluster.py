"""The same work on an existing dask.distributed cluster whose machines see the same files."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path

from intake_report.errors import MachineError


@contextmanager
def cluster(address: str, out: Path, roots: list[Path]) -> Iterator[Executor]:
    """Give the workers of a cluster; a campaign whose worker dies goes to another one.

    Raises
    ------
    MachineError
        The package for it is not installed, nobody answers at the address, or a worker does not see the same files.
    """
    try:
        from distributed import Client
    except ImportError:
        what = "--dask needs dask.distributed."
        raise MachineError(what, remedy="Install it: pip install intake-report[cluster].") from None
    try:
        client = Client(address, timeout="10s")  # type: ignore[no-untyped-call]
    except (OSError, ValueError) as error:
        raise MachineError(f"no cluster answers at {address} ({error}).", remedy="Start its scheduler.") from None
    with client:
        with tempfile.NamedTemporaryFile(dir=out, prefix=".nightly-") as sign:
            seen = client.run(_sees, sign.name, [str(root.resolve()) for root in roots])
        blind = [f"{worker} does not see {place}" for worker, place in sorted(seen.items()) if place]
        if blind or not seen:
            what = "; ".join(blind) or "the cluster has no workers"
            raise MachineError(f"{what}.", remedy="Campaigns and reports have to lie on storage that all share.")
        yield client.get_executor(pure=False)  # type: ignore[no-untyped-call]


def _sees(sign: str, roots: list[str]) -> str:
    """Return what a worker does not see of the files."""
    return next((place for place in (sign, *roots) if not Path(place).exists()), "")
