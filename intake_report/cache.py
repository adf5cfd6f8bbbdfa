"""Keep what the steps of an analysis gave, so that a change costs only what follows from it; never for issued reports.

An entry is named by a digest of everything that its step reads: the package's own code and the versions of all that is
installed, the tables of the campaign file that the step may read, the content of the inputs, and the entries that it was
given. It is one NumPy archive of numbers and text: nothing in it can run. A damaged or foreign one is as good as none.
"""

import dataclasses
import hashlib
import importlib
import json
import os
import tempfile
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path, PurePath
from typing import Any, ParamSpec, TypeVar, cast

import numpy as np
import pandas as pd

from intake_report.analyse import CONCLUDED, REMEASURED, align_logs, clean_logs, measure_runs
from intake_report.analyse.inputs import read_logs
from intake_report.campaign import Campaign
from intake_report.metrics import REGISTRY
from intake_report.provenance import hash_file, input_hashes, package_versions, source_hash
from intake_report.results import ReportResult

P = ParamSpec("P")
T = TypeVar("T")

PACKAGE = "intake_report."
_MEASURED_ONLY: dict[str, Any] = {"metrics": True, "acceptance": True, "ambient": True, "soak_checks": True}
UNREAD: dict[Callable[..., Any], dict[str, Any]] = {
    **dict.fromkeys((read_logs, clean_logs, align_logs), CONCLUDED | _MEASURED_ONLY),
    measure_runs: CONCLUDED,
}
"""Tables of the campaign file that a step does not read; any other step may read all."""
RESUMED: dict[Callable[..., Any], dict[str, Any]] = {
    measure_runs: CONCLUDED | REMEASURED | {"metrics": CONCLUDED["metrics"] | REMEASURED["metrics"]},
}
"""Steps that go on from what they gave before, as `earlier`, where only these tables differ."""
_BEFORE_METRICS = (read_logs, clean_logs, align_logs)


class Cache:
    """Calls steps, which have to depend on nothing but their arguments, or gives back what they gave before.

    Nothing is kept where `folder` is empty, or lies in a folder that is not there. A text that names a file stands for the
    file's content too. Of a `ReportResult` only what the step reads counts, which is recorded while it runs. Metrics that a
    notebook defines are not known by their content: with one, only what comes before metrics is kept.
    """

    def __init__(self, folder: str | Path = "") -> None:
        self._folder = Path(folder)
        self._off = not folder or not self._folder.parent.is_dir()
        self._known: dict[int, tuple[Any, str]] = {}  # id → object, kept alive, and the digest that stands for it
        self._fields: dict[int, dict[str, str]] = {}

    def __call__(self, step: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        """Return what ``step(*arguments)`` returns."""
        own = any(metric.function.__module__ == f"{PACKAGE}workbook" for metric in REGISTRY.values())  # a notebook's
        if self._off or (own and step not in _BEFORE_METRICS):
            return step(*arguments, **named)
        key = self._key(step, (*arguments, *named.values()), named, UNREAD.get(step))
        result = next((argument for argument in arguments if isinstance(argument, ReportResult)), None)
        found, value = self._find(key, result)
        if not found:
            reader = None if result is None else _Read(result)
            given = [reader if argument is result else argument for argument in arguments]
            value = self._resumed(step, key, given) if step in RESUMED else step(*given, **named)  # type: ignore[arg-type]
            reads = sorted(reader.fields_read) if reader else []
            self._store(key, reads, self._of_fields(result, reads), value)
        if result is None:
            self._known[id(value)] = (value, key)
        return cast(T, value)

    def _resumed(self, step: Callable[..., Any], key: str, arguments: list[Any]) -> Any:
        """Return what a step of `RESUMED` gives, from what it gave last where only what it follows has changed."""
        family, earlier = self._key(step, arguments, ["last"], RESUMED[step]), None
        with suppress(Exception):  # as of any entry
            name, latest = read_entry(self._folder / f"{family}.npz")
            known = (value for value, made in self._known.values() if made == latest)
            earlier = (next(known, None) or self._find(latest, None)[1]) if name == family else None
        value = step(*arguments, earlier=earlier)
        self._store(family, key)
        return value

    def _key(self, step: Callable[..., Any], arguments: Iterable[Any], names: Iterable[Any], unread: Any) -> str:
        of_step = [f"{step.__module__}.{step.__qualname__}", source_hash(), package_versions()]
        return _sha([*of_step, *names, *(self._digest(argument, unread) for argument in arguments)])

    def _digest(self, argument: Any, unread: Any) -> str:
        if isinstance(argument, Campaign):
            tables = argument.model_dump(mode="json", by_alias=True, exclude=unread)
            return _sha([tables, argument.given, [one["sha256"] for one in input_hashes(argument)[1:]]])
        if isinstance(argument, ReportResult):
            return ""
        if isinstance(argument, str) and argument and Path(argument).is_file():
            return _sha([argument, hash_file(Path(argument))])
        return self._known[id(argument)][1] if id(argument) in self._known else _sha(encode(argument))

    def _of_fields(self, result: ReportResult | None, names: list[str]) -> str:
        if result is None:
            return ""
        known = self._fields.setdefault(id(result), {})
        self._known.setdefault(id(result), (result, ""))
        for name in names:
            if name not in known:
                known[name] = _sha(encode(getattr(result, name)))
        return _sha([known[name] for name in names])

    def _find(self, key: str, result: ReportResult | None) -> tuple[bool, Any]:
        with suppress(Exception):  # whatever is wrong with an entry, it is as if it were not there
            name, reads, digest, value = read_entry(self._folder / f"{key}.npz")
            if name == key and digest == self._of_fields(result, reads):
                return True, value
        return False, None

    def _store(self, key: str, *parts: Any) -> None:
        with suppress(OSError):  # a cache that cannot be written is none
            self._folder.mkdir(parents=True, exist_ok=True)
            write_entry(self._folder / f"{key}.npz", (key, *parts))


class _Read(ReportResult):
    """A result that remembers which of its fields were read."""

    fields_read: set[str]

    def __init__(self, result: ReportResult) -> None:
        self.__dict__.update(vars(result), fields_read=set())

    def __getattribute__(self, name: str) -> Any:
        if name in _FIELDS:
            self.fields_read.add(name)
        return object.__getattribute__(self, name)


_FIELDS = frozenset(field.name for field in dataclasses.fields(ReportResult))


def _sha(value: Any) -> str:
    digest = hashlib.sha256()
    if isinstance(value, tuple):  # of `encode`
        value, arrays = value
        for array in arrays:
            digest.update(f"{array.dtype.str} {array.shape}".encode())
            digest.update(np.ascontiguousarray(array).tobytes())
    digest.update(json.dumps(value, sort_keys=True, default=str).encode())
    return digest.hexdigest()


def write_entry(file: Path, value: Any) -> None:
    """Write `value` (see `encode`) to a NumPy archive in one move; it holds a checksum of each of its parts."""
    tree, arrays = encode(value)
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=".entry-")  # other processes may write the same one
    try:
        with os.fdopen(handle, "wb") as stream:
            np.savez(stream, np.frombuffer(json.dumps(tree).encode(), np.uint8), *arrays)
        os.replace(name, file)
    except BaseException:
        os.unlink(name)
        raise


def read_entry(file: Path) -> Any:
    """Return what `write_entry` wrote; raises an error of any kind where the file is absent, damaged or foreign."""
    with np.load(file, allow_pickle=False) as parts:
        tree, *arrays = (parts[name] for name in parts.files)
    return decode(json.loads(tree.tobytes()), arrays)


def encode(value: Any) -> tuple[Any, list[np.ndarray]]:
    """Return a tree of JSON values for `value`, and the arrays that it points to by their place, each kept once.

    Knows what `kinds` names, JSON's own, tuples, and the package's dataclasses; TypeError for anything else.
    """
    arrays: list[np.ndarray] = []
    places: dict[int, int] = {}

    def array(values: np.ndarray) -> Any:
        if values.dtype.hasobject:
            return ["list", [tree(one) for one in values.tolist()]]
        if id(values) not in places:
            places[id(values)] = len(arrays)
            arrays.append(values)
        return ["array", places[id(values)]]

    def index(labels: pd.Index) -> Any:
        if isinstance(labels, pd.RangeIndex):
            return ["range", labels.start, labels.stop, labels.step, tree(labels.name)]
        return ["index", array(labels.to_numpy()), str(labels.dtype), tree(labels.name)]

    def frame(item: pd.DataFrame) -> Any:
        columns = [[array(item.iloc[:, i].to_numpy()), str(dtype)] for i, dtype in enumerate(item.dtypes)]
        return ["frame", index(item.columns), index(item.index), columns, tree(dict(item.attrs))]

    kinds: dict[type, Callable[[Any], Any]] = {
        np.generic: lambda item: ["number", array(np.asarray(item))],
        np.ndarray: array,
        pd.Series: lambda item: ["series", array(item.to_numpy()), index(item.index), tree(item.name), str(item.dtype)],
        pd.DataFrame: frame,
        PurePath: lambda item: ["path", str(item)],
        pd.Timestamp: lambda item: ["stamp", item.isoformat(), item.unit, item.tz and str(item.tz)],
    }

    def tree(item: Any) -> Any:
        kind = type(item)
        if item is None or kind in (bool, int, float, str):
            return item
        if kind in (tuple, list):
            return [kind.__name__, [tree(one) for one in item]]
        if kind is dict:
            return ["dict", [[tree(key), tree(one)] for key, one in item.items()]]
        for known, made in kinds.items():
            if isinstance(item, known):
                return made(item)
        name = f"{kind.__module__}:{kind.__qualname__}"
        if name.startswith(PACKAGE) and dataclasses.is_dataclass(kind):
            names = [f.name for f in dataclasses.fields(kind) if f.init]
            return ["own", name, [[field, tree(getattr(item, field))] for field in names]]
        if name.startswith(PACKAGE) and isinstance(item, tuple):
            return ["own tuple", name, [tree(one) for one in item]]
        raise TypeError(f"{name} cannot be kept")

    return tree(value), arrays


def decode(tree: Any, arrays: list[np.ndarray]) -> Any:
    """Return what `encode` was given; raises an error of any kind for a tree that it did not make."""

    def frame(columns: Any, labels: Any, data: list[Any], attrs: Any) -> pd.DataFrame:
        rows = item(labels)
        made = pd.DataFrame({i: pd.Series(item(one), rows, dtype=kind) for i, (one, kind) in enumerate(data)}, rows)
        made.columns = item(columns)
        made.attrs = item(attrs)
        return made

    def own(name: str) -> type:
        module, _, path = name.partition(":")
        made = getattr(importlib.import_module(module), path) if module.startswith(PACKAGE) else None
        if not (isinstance(made, type) and (dataclasses.is_dataclass(made) or issubclass(made, tuple))):
            raise ValueError(f"{name} is nothing that is kept")
        return made

    makers: dict[str, Callable[..., Any]] = {
        "array": lambda place: arrays[place],
        "number": lambda part: item(part)[()],
        "list": lambda parts: [item(part) for part in parts],
        "tuple": lambda parts: tuple(item(part) for part in parts),
        "dict": lambda pairs: {item(key): item(part) for key, part in pairs},
        "path": Path,
        "stamp": lambda text, unit, zone: pd.Timestamp(text, tz=zone).as_unit(unit),
        "range": lambda start, stop, step, name: pd.RangeIndex(start, stop, step, name=item(name)),
        "index": lambda labels, kind, name: pd.Index(item(labels), dtype=kind, name=item(name)),
        "series": lambda values, labels, name, kind: pd.Series(item(values), item(labels), kind, item(name)),
        "frame": frame,
        "own": lambda name, pairs: own(name)(**{field: item(part) for field, part in pairs}),
        "own tuple": lambda name, parts: tuple.__new__(own(name), map(item, parts)),
    }

    def item(part: Any) -> Any:
        return makers[part[0]](*part[1:]) if isinstance(part, list) else part

    return item(tree)
