"""All that is kept between runs or in memory: what a thing is known by, how much is kept, how it is written.

A thing is kept under the fingerprint of all that goes into it: the inputs, the bytes of every file they rest on, every
file of numbers and the package's own code. So nothing kept outlives a change of what it was made from. A kept thing
tells again which numbers it was made from (see provenance)."""

from __future__ import annotations

import json
import os
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, fields, is_dataclass
from datetime import date
from functools import cache
from hashlib import blake2b, sha256
from io import BytesIO
from pathlib import Path
from threading import Lock
from typing import Any, Generic, TypeVar
from weakref import WeakSet

from driftmodel.base import __version__, library
from driftmodel.base.materials import Datum, Numbers, note_all, recording
from driftmodel.base.opened import MOST_TABLE_MB, bytes_of
from driftmodel.base.written import clear_parts, write_file

Thing = TypeVar("Thing")
#: a thing as it is written: plain facts (what JSON holds) and arrays by name
Written = tuple[Any, Mapping[str, Any]]

MOST_BYTES = 512 * 2**20  # in the user's cache folder, all rooms together
_LOOK_EVERY = 64  # writes between two looks at how much there is
_SUFFIX = ".npz"
#: a clock of files may be this coarse: a younger file may change again and show the same time, s
SETTLED_S = 2.0
_PLAIN = (bool, int, float, str, bytes, date, Path)
_digests: dict[tuple[str, int, int, int, int], str] = {}


# ---- what a thing is known by ------------------------------------------------------------------------------------


def fingerprint(*parts: Any) -> str:
    """64 hexadecimal digits that are the same for the same inputs, numbers and code, and differ for any others.

    Takes what JSON holds, dates, paths (their text), arrays, frozen records (fields whose metadata say
    `{"input": False}` left out), classes and functions of a module; a record with a property `input_files` stands for
    the bytes of those files too. Raises TypeError for anything else: an address in memory tells nothing."""
    whole = sha256()
    _put(whole, (_code(), data_digest(), parts))
    return whole.hexdigest()


def inputs_digest(*parts: Any) -> str:
    """As `fingerprint`, of these inputs alone: neither the files of numbers nor the code, but the version."""
    whole = sha256()
    _put(whole, (__version__, parts))
    return whole.hexdigest()


def file_digest(path: str | Path) -> str:
    """Hash of a file's bytes; "none" for one that cannot be read.

    A file that has stood for SETTLED_S and shows no change on disk since is not read again."""
    try:
        stat = os.stat(path)
        seen = (str(path), stat.st_ino, stat.st_size, stat.st_mtime_ns, stat.st_ctime_ns)
        found = _digests.get(seen)
        if found is None:
            found = sha256(bytes_of(path, "a file", most_mb=MOST_TABLE_MB)).hexdigest()
            if time.time_ns() - max(stat.st_mtime_ns, stat.st_ctime_ns) > SETTLED_S * 1e9:
                _digests[seen] = found
    except (OSError, ValueError):  # its own reader says what is wrong with it
        return "none"
    return found


def _put(whole: Any, value: Any) -> None:
    """Feed a value to a hash, each with its kind and length, so that no two values read alike."""
    if value is None or isinstance(value, _PLAIN):
        text = value if isinstance(value, bytes) else str(value).encode("utf-8", "surrogatepass")
        whole.update(f"{type(value).__name__}{len(text)}:".encode() + text)
    elif isinstance(value, Mapping):
        whole.update(f"map{len(value)}:".encode())
        for pair in sorted(value.items(), key=lambda pair: repr(pair[0])):
            _put(whole, pair)
    elif isinstance(value, tuple | list):
        whole.update(f"row{len(value)}:".encode())
        for item in value:
            _put(whole, item)
    elif is_dataclass(value) and not isinstance(value, type):
        whole.update(f"record{type(value).__qualname__}:".encode())
        for name in _inputs(type(value)):
            _put(whole, (name, getattr(value, name)))
        _put(whole, [file_digest(path) for path in getattr(value, "input_files", ())])
    elif hasattr(value, "dtype") and hasattr(value, "tobytes"):
        _put(whole, ("array", str(value.dtype), [int(n) for n in value.shape], value.tobytes()))
    elif hasattr(value, "__qualname__") and "<locals>" not in value.__qualname__:
        _put(whole, ("name", value.__module__, value.__qualname__))
    else:
        raise TypeError(f"a {type(value).__name__} has no fingerprint")


@cache
def _inputs(record: Any) -> tuple[str, ...]:
    return tuple(field.name for field in fields(record) if field.metadata.get("input", True))


def data_digest() -> str:
    """Hash of every file of numbers: the shipped as they stood when this process first asked, the user's own now."""
    shipped, own = library.data_places()
    return "".join([_folder_digest(shipped, "*.toml"), *(file_digest(file) for file, *_ in own)])


@cache
def _folder_digest(folder: Path, pattern: str) -> str:
    whole = sha256()
    for path in sorted(folder.rglob(pattern)):
        _put(whole, (path.relative_to(folder).as_posix(), path.read_bytes()))
    return whole.hexdigest()


def _code() -> str:
    return _folder_digest(Path(__file__).resolve().parents[1], "*.py")


# ---- in memory ---------------------------------------------------------------------------------------------------


class Memory(Generic[Thing]):
    """The last things asked for, by fingerprint; the least lately used go first. What it gives is not to be changed."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._known: OrderedDict[str, tuple[Thing, Numbers]] = OrderedDict()
        self._lock = Lock()
        _memories.add(self)

    def hold(self, most: int) -> None:
        """Keep at least so many from now on, for work that goes round so many again and again."""
        self._most = max(self._most, most)

    def of(self, key: str, make: Callable[[], Thing]) -> Thing:
        """The thing of this fingerprint, made when it is not known."""
        with self._lock:
            found = self._known.get(key)
            if found is not None:
                self._known.move_to_end(key)
        if found is None:
            with recording() as numbers:
                thing = make()
            with self._lock:
                self._known[key] = (thing, dict(numbers))
                while len(self._known) > self._most:
                    self._known.popitem(last=False)
            return thing
        note_all(found[1])
        return found[0]

    def clear(self) -> None:
        """Forget all."""
        with self._lock:
            self._known.clear()


_memories: WeakSet[Memory[Any]] = WeakSet()


def forget() -> None:
    """Empty every memory of this process: all is made anew, or read from disk."""
    for memory in list(_memories):
        memory.clear()


# ---- on disk -----------------------------------------------------------------------------------------------------


def cache_folder() -> Path:
    """DRIFTMODEL_CACHE, or the user's cache folder of this system."""
    if named := os.environ.get("DRIFTMODEL_CACHE"):
        return Path(named)
    from platformdirs import user_cache_path

    return user_cache_path("driftmodel", appauthor=False)


class Shelf:
    """Things kept in files of a folder, one a fingerprint.

    A file that is cut off, changed or holds something else is passed over and written anew; one that cannot be written
    only costs the time to make the thing again. Below the user's cache folder no more than MOST_BYTES are kept and the
    least lately used go; a folder named by the user holds all, for the user to clear. most_bytes: what this one keeps,
    wherever it stands."""

    def __init__(self, folder: Path | None, most_bytes: int | None = None) -> None:
        self.folder, self._most_bytes = folder, most_bytes

    def of(
        self, key: str, make: Callable[[], Thing], to_written: Callable[[Thing], Written],
        from_written: Callable[[Any, Mapping[str, Any]], Thing],
    ) -> Thing:  # fmt: skip
        """The thing of this fingerprint, made and kept where it is not there whole."""
        found = self._read(key)
        if found is not None:
            (facts, arrays), numbers = found
            try:
                thing = from_written(facts, arrays)
            except (KeyError, TypeError, ValueError):
                pass
            else:
                note_all(numbers)
                return thing
        with recording() as numbers:
            thing = make()
        self._write(key, *to_written(thing), numbers)
        return thing

    def _read(self, key: str) -> tuple[Written, Numbers] | None:
        if self.folder is None:
            return None
        import numpy as np

        file = self.folder / f"{key}{_SUFFIX}"
        try:
            with np.load(file, allow_pickle=False) as kept:
                arrays = {name: kept[name] for name in kept.files}
            about = json.loads(arrays.pop("about").tobytes())
            if about["sum"] != _sum(key, about["facts"], arrays, about["numbers"]):
                return None
            numbers = {name: Datum(**number) for name, number in about["numbers"].items()}
        except Exception:  # whatever a spoilt file makes a reader say, it is not what was kept
            return None
        with suppress(OSError):
            os.utime(file)
        return (about["facts"], arrays), numbers

    def _write(self, key: str, facts: Any, arrays: Mapping[str, Any], numbers: Numbers) -> None:
        if self.folder is None:
            return
        import numpy as np

        told = {name: asdict(number) for name, number in numbers.items()}
        about = json.dumps({"sum": _sum(key, facts, arrays, told), "facts": facts, "numbers": told})
        content = BytesIO()
        np.savez(content, about=np.frombuffer(about.encode(), dtype=np.uint8), **arrays)
        try:
            write_file(self.folder / f"{key}{_SUFFIX}", content.getvalue(), lasting=False)
        except OSError:
            return
        if self._most_bytes is not None:
            clear_down(self.folder, self._most_bytes)
        if self.folder.resolve().is_relative_to(cache_folder().resolve()):
            _keep_bounded(cache_folder())


def _sum(key: str, facts: Any, arrays: Mapping[str, Any], numbers: Mapping[str, Any]) -> str:
    whole = blake2b()
    _put(whole, (key, json.dumps([facts, numbers], sort_keys=True), dict(arrays)))
    return whole.hexdigest()


_writes = 0


def _keep_bounded(folder: Path) -> None:
    """Now and then, take the least lately used files away until nine tenths of what may be kept are left."""
    global _writes
    _writes += 1
    if _writes % _LOOK_EVERY == 1:
        clear_parts(folder)
        clear_down(folder, MOST_BYTES)


def clear_down(folder: Path, most_bytes: int) -> None:
    """Where kept files below a folder hold more than this, the least lately used go until nine tenths are left."""
    known = sorted(_used(folder.rglob(f"*{_SUFFIX}")), reverse=True)
    if sum(size for _, size, _ in known) <= most_bytes:
        return
    held = 0
    for _, size, file in known:
        held += size
        if held > 0.9 * most_bytes:
            file.unlink(missing_ok=True)


def _used(files: Iterable[Path]) -> list[tuple[int, int, Path]]:
    found = []
    for file in files:
        try:
            stat = file.stat()
        except OSError:
            continue  # another process took it away
        found.append((stat.st_mtime_ns, stat.st_size, file))
    return found
