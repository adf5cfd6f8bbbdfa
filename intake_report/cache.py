"""Keep what the steps of an analysis gave, so that a change costs only what follows from it; never for issued reports.

An entry is named by a digest of everything that its step reads: the package's own code and the versions of all that is
installed, the tables of the campaign file that the step may read, the content of the inputs, and the entries that it was
given. It is one Arrow file that holds numbers and text: nothing in it can run. An entry that is damaged or foreign is
ignored, and the step computed again.
"""

from __future__ import annotations

import dataclasses
import hashlib
import importlib
import json
import os
import tempfile
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path, PurePath
from typing import Any, ClassVar, ParamSpec, TypeVar, cast

import numpy as np
import pandas as pd
import pyarrow as pa

from intake_report.analyse import CONCLUDED, REMEASURED, align_logs, clean_logs, measure_runs
from intake_report.analyse.inputs import read_logs
from intake_report.campaign import Campaign
from intake_report.metrics import REGISTRY
from intake_report.provenance import input_hashes, package_versions, source_hash
from intake_report.results import ReportResult

P = ParamSpec("P")
T = TypeVar("T")

PACKAGE = "intake_report."
TRACES = 6  # outputs of one section that are kept, each with what it read
_MEASURED_ONLY: dict[str, Any] = {"metrics": True, "acceptance": True, "ambient": True, "soak_checks": True}
UNREAD: dict[Callable[..., Any], dict[str, Any]] = {
    read_logs: CONCLUDED | _MEASURED_ONLY,
    clean_logs: CONCLUDED | _MEASURED_ONLY,
    align_logs: CONCLUDED | _MEASURED_ONLY,
    measure_runs: CONCLUDED,
}
"""Tables of the campaign file that a step does not read; any other step may read all."""


RESUMED: dict[Callable[..., Any], dict[str, Any]] = {
    measure_runs: CONCLUDED | REMEASURED | {"metrics": CONCLUDED["metrics"] | REMEASURED["metrics"]},
}
"""Steps that go on from what they gave before, as `earlier`, where only these tables differ."""


_BEFORE_METRICS = (read_logs, clean_logs, align_logs)


class Cache:
    """Calls steps, or gives back what they gave before.

    Parameters
    ----------
    folder : str or Path
        Where entries are kept. Every call computes where it is empty, or lies in a folder that is not there.

    Notes
    -----
    ``kept(step, *arguments)`` returns what ``step(*arguments)`` returns. A step has to depend on nothing else. A text that
    names a file stands for the file's content too. Of a `ReportResult` only what the step reads counts, which is recorded while it runs. Metrics that a notebook defines are
    not known by their content: with one, only what comes before metrics is kept.
    """

    def __init__(self, folder: str | Path = "") -> None:
        self._folder = Path(folder) if folder and Path(folder).parent.is_dir() else None
        self._known: dict[int, tuple[Any, str]] = {}  # id → object, kept alive, and the digest that stands for it
        self._fields: dict[int, dict[str, str]] = {}

    def __call__(self, step: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        """Return what ``step(*arguments)`` returns."""
        if self._folder is None or (step not in _BEFORE_METRICS and _defined_in_notebook()):
            return step(*arguments, **named)
        key = self._key(step, (*arguments, *named.values()), named, UNREAD.get(step))
        traced = [argument for argument in arguments if isinstance(argument, ReportResult)]
        found, value = self._find(key, traced)
        if not found:
            readers = {id(result): _reader(result) for result in traced}
            given = [readers.get(id(argument), argument) for argument in arguments]
            value = self._resumed(step, key, given) if step in RESUMED else step(*given, **named)  # type: ignore[arg-type]
            reads = [sorted(reader.fields_read) for reader in readers.values()]
            self._store(key, reads, [self._of_fields(r, names) for r, names in zip(traced, reads, strict=True)], value)
        if not traced:
            self._known[id(value)] = (value, key)
        return cast(T, value)

    def _resumed(self, step: Callable[..., Any], key: str, arguments: list[Any]) -> Any:
        """Return what a step of `RESUMED` gives, from what it gave last where only what it follows has changed."""
        assert self._folder is not None
        family = self._key(step, arguments, ["last"], RESUMED[step])
        last, earlier = self._folder / f"{family}.arrow", None
        with suppress(Exception):  # as of any entry
            name, latest = read_entry(last)
            known = (value for value, made in self._known.values() if made == latest)
            earlier = (next(known, None) or self._find(latest, [])[1]) if name == family else None
        value = step(*arguments, earlier=earlier)
        with suppress(OSError):
            self._folder.mkdir(parents=True, exist_ok=True)
            write_entry(last, (family, key))
        return value

    def _key(self, step: Callable[..., Any], arguments: Iterable[Any], names: Iterable[Any], unread: Any) -> str:
        of_step = [f"{step.__module__}.{step.__qualname__}", _code()]
        return _sha([*of_step, *names, *(self._digest(argument, unread) for argument in arguments)])

    def _digest(self, argument: Any, unread: Any) -> str:
        if isinstance(argument, Campaign):
            tables = argument.model_dump(mode="json", by_alias=True, exclude=unread)
            return _sha([tables, argument.given, [one["sha256"] for one in input_hashes(argument)[1:]]])
        if isinstance(argument, ReportResult):
            return ""
        if isinstance(argument, str) and argument and Path(argument).is_file():
            return _sha([argument, hashlib.sha256(Path(argument).read_bytes()).hexdigest()])
        if id(argument) in self._known:
            return self._known[id(argument)][1]
        return _sha(encode(argument))

    def _of_fields(self, result: ReportResult, names: list[str]) -> str:
        known = self._fields.setdefault(id(result), {})
        self._known.setdefault(id(result), (result, ""))
        for name in names:
            if name not in known:
                known[name] = _sha(encode(getattr(result, name)))
        return _sha([known[name] for name in names])

    def _find(self, key: str, traced: list[ReportResult]) -> tuple[bool, Any]:
        assert self._folder is not None
        for number in range(TRACES if traced else 1):
            with suppress(Exception):  # whatever is wrong with an entry, it is as if it were not there
                name, reads, digests, value = read_entry(self._folder / f"{key}-{number}.arrow")
                if name == key and digests == [
                    self._of_fields(result, names) for result, names in zip(traced, reads, strict=True)
                ]:
                    return True, value
        return False, None

    def _store(self, key: str, reads: list[list[str]], digests: list[str], value: Any) -> None:
        assert self._folder is not None
        with suppress(OSError):  # a cache that cannot be written is none
            self._folder.mkdir(parents=True, exist_ok=True)
            files = [self._folder / f"{key}-{number}.arrow" for number in range(TRACES if reads else 1)]
            free = next((file for file in files if not file.exists()), None)
            write_entry(free or min(files, key=lambda file: file.stat().st_mtime), (key, reads, digests, value))


class _Read(ReportResult):
    """A result that remembers which of its fields were read."""

    fields_read: set[str]

    def __getattribute__(self, name: str) -> Any:
        if name in _FIELDS:
            self.fields_read.add(name)
        return object.__getattribute__(self, name)


def _reader(result: ReportResult) -> _Read:
    reader = object.__new__(_Read)
    reader.__dict__.update(vars(result), fields_read=set())
    return reader


def _defined_in_notebook() -> bool:
    return any(metric.function.__module__ == f"{PACKAGE}workbook" for metric in REGISTRY.values())


_FIELDS = frozenset(field.name for field in dataclasses.fields(ReportResult))


def _code() -> str:
    if not _CODE:
        _CODE.append(_sha([source_hash(), package_versions()]))
    return _CODE[0]


_CODE: list[str] = []


def _sha(value: Any) -> str:
    digest = hashlib.sha256()
    if isinstance(value, tuple):  # of `encode`
        value, arrays = value
        for array in arrays:
            digest.update(f"{array.dtype.str} {array.shape}".encode())
            digest.update(np.ascontiguousarray(array).tobytes())
    digest.update(json.dumps(value, sort_keys=True, default=str).encode())
    return digest.hexdigest()


# ---- entries ----------------------------------------------------------------------------------------------------


def write_entry(file: Path, value: Any) -> None:
    """Write `value` (see `encode`) to an Arrow file in one move; it begins with the digest of what follows."""
    tree, arrays = encode(value)
    table = pa.table(
        {
            "type": [array.dtype.str for array in arrays],
            "shape": pa.array([list(array.shape) for array in arrays], pa.list_(pa.int64())),
            "data": pa.array([np.ascontiguousarray(array).tobytes() for array in arrays], pa.large_binary()),
        },
        schema=pa.schema(
            [("type", pa.string()), ("shape", pa.list_(pa.int64())), ("data", pa.large_binary())],
            metadata={"tree": json.dumps(tree), "digest": _sha((tree, arrays))},
        ),
    )
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=".entry-")
    try:
        with os.fdopen(handle, "wb") as stream, pa.ipc.new_file(stream, table.schema) as writer:
            writer.write_table(table)
        os.replace(name, file)
    except BaseException:
        os.unlink(name)
        raise


def read_entry(file: Path) -> Any:
    """Return what `write_entry` wrote; raises an error of any kind where the file is absent, damaged or foreign."""
    table = pa.ipc.open_file(pa.BufferReader(file.read_bytes())).read_all()
    metadata = table.schema.metadata
    tree = json.loads(metadata[b"tree"])
    rows = zip(table["type"].to_pylist(), table["shape"].to_pylist(), table["data"], strict=True)
    arrays = [np.frombuffer(data.as_buffer(), _plain(kind)).reshape(shape).copy() for kind, shape, data in rows]
    if metadata[b"digest"].decode() != _sha((tree, arrays)):
        raise ValueError("damaged")
    return decode(tree, arrays)


def _plain(kind: str) -> np.dtype[Any]:
    dtype = np.dtype(kind)
    if dtype.hasobject:
        raise ValueError("not numbers")
    return dtype


def encode(value: Any) -> tuple[Any, list[np.ndarray]]:
    """Return a tree of JSON values for `value`, and the arrays that it points to by their place.

    Knows numbers, text, None, tuples, lists, sets, dicts, paths, time stamps, arrays of numbers, Series, DataFrames, and
    the package's own dataclasses and tuples; raises TypeError for anything else.
    """
    encoder = _Encoder()
    return encoder.tree(value), encoder.arrays


class _Encoder:
    """Collects the arrays of a value; an array that occurs twice is kept once."""

    def __init__(self) -> None:
        self.arrays: list[np.ndarray] = []
        self._places: dict[int, int] = {}

    def tree(self, item: Any) -> Any:
        """Return the tree of one value."""
        kind = type(item)
        if item is None or kind in (bool, int, float, str):
            return item
        for types, encoded in self._KINDS.items():
            if isinstance(item, types):
                return encoded(self, item)
        if kind in (tuple, list, set, frozenset):
            return [kind.__name__, self._all(sorted(item) if kind in (set, frozenset) else item)]
        if kind is dict:
            return ["dict", [[self.tree(key), self.tree(part)] for key, part in item.items()]]
        name = f"{kind.__module__}:{kind.__qualname__}"
        if name.startswith(PACKAGE) and isinstance(item, tuple):
            return ["own tuple", name, self._all(item)]
        if name.startswith(PACKAGE) and dataclasses.is_dataclass(item):
            fields = [field.name for field in dataclasses.fields(item) if field.init]
            return ["own", name, [[field, self.tree(getattr(item, field))] for field in fields]]
        raise TypeError(f"{name} cannot be kept")

    def _all(self, items: Any) -> list[Any]:
        return [self.tree(item) for item in items]

    def _array(self, values: np.ndarray) -> Any:
        if values.dtype.hasobject:
            return ["list", self._all(values.tolist())]
        if id(values) not in self._places:
            self._places[id(values)] = len(self.arrays)
            self.arrays.append(values)
        return ["array", self._places[id(values)]]

    def _index(self, labels: pd.Index) -> Any:
        if isinstance(labels, pd.RangeIndex):
            return ["range", labels.start, labels.stop, labels.step, self.tree(labels.name)]
        return ["index", self._array(labels.to_numpy()), str(labels.dtype), self.tree(labels.name)]

    def _series(self, item: pd.Series) -> Any:
        return ["series", self._array(item.to_numpy()), self._index(item.index), self.tree(item.name), str(item.dtype)]

    def _frame(self, item: pd.DataFrame) -> Any:
        columns = [[self._array(item.iloc[:, i].to_numpy()), str(kind)] for i, kind in enumerate(item.dtypes)]
        return ["frame", self._index(item.columns), self._index(item.index), columns, self.tree(dict(item.attrs))]

    def _stamp(self, item: pd.Timestamp) -> Any:
        return ["stamp", item.isoformat(), item.unit, None if item.tz is None else str(item.tz)]

    _KINDS: ClassVar[dict[type, Callable[[Any, Any], Any]]] = {
        np.generic: lambda self, item: ["number", self._array(np.asarray(item))],
        np.ndarray: _array,
        pd.Series: _series,
        pd.DataFrame: _frame,
        pd.Timestamp: _stamp,
        PurePath: lambda _, item: ["path", str(item)],
    }


def decode(tree: Any, arrays: list[np.ndarray]) -> Any:
    """Return what `encode` was given; raises an error of any kind for a tree that it did not make."""

    def index(part: list[Any]) -> Any:
        if part[0] == "range":
            return pd.RangeIndex(part[1], part[2], part[3], name=item(part[4]))
        return pd.Index(item(part[1]), dtype=part[2], name=item(part[3]))

    def frame(columns: list[Any], labels: Any, data: list[Any], attrs: Any) -> pd.DataFrame:
        rows = index(labels)
        made = pd.DataFrame({i: pd.Series(item(one), rows, dtype=kind) for i, (one, kind) in enumerate(data)}, rows)
        made.columns = index(columns)
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
        "set": lambda parts: {item(part) for part in parts},
        "frozenset": lambda parts: frozenset(item(part) for part in parts),
        "dict": lambda pairs: {item(key): item(part) for key, part in pairs},
        "path": Path,
        "stamp": lambda text, unit, zone: (pd.Timestamp(text) if zone is None else pd.Timestamp(text, tz=zone)).as_unit(
            unit
        ),
        "series": lambda values, labels, name, kind: pd.Series(
            item(values), index(labels), dtype=kind, name=item(name)
        ),
        "frame": frame,
        "own": lambda name, pairs: own(name)(**{field: item(part) for field, part in pairs}),
        "own tuple": lambda name, parts: own(name)(item(part) for part in parts),
    }

    def item(part: Any) -> Any:
        return makers[part[0]](*part[1:]) if isinstance(part, list) else part

    return item(tree)
