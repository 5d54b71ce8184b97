"""Files and folders written whole or not at all, whenever the run is killed.

Everything is made under a hidden name beside its place and takes that place in one step of the file system. The hidden
name is locked while its run lives; the lock ends with the process, so the next run knows what a killed one left behind,
puts back what it had set aside and clears the rest. Files of the user's in a folder that is replaced stand in the new
one before the old one goes."""

from __future__ import annotations

import errno
import os
import re
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Container, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

try:
    import fcntl
except ImportError:  # Windows keeps others from removing an open file by itself
    fcntl = None  # type: ignore[assignment]

_MARK = "-driftmodel-"
_LOCK, _NEW, _OLD = "lock", "new", "old"
_PART = re.compile(rf"\..+{_MARK}[a-z0-9_]{{8}}")  # a file another run is writing just now
#: of the name a hidden one begins with: file systems take 255 bytes, a sign has up to four
_NAME_SIGNS = 40
#: another run may take the place between a look and a step
_TRIES = 20


def write_file(path: Path, content: bytes, *, lasting: bool = True) -> None:
    """Puts a file in its place whole; what stood there stands until then. Raises OSError and leaves nothing behind.

    lasting: False for a cache's many files, which need not outlive a power cut and are cleared by clear_parts."""
    for left in reversed(range(_TRIES)):
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            if lasting:
                clear_leftovers(path)
            _write_file(path, content, lasting)
            return
        except (FileNotFoundError, FileExistsError):  # another run set the folder aside meanwhile
            if not left:
                raise
            time.sleep(0.001 * (_TRIES - left))


def _write_file(path: Path, content: bytes, lasting: bool) -> None:
    handle, part = _hidden_file(path)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            if lasting:
                os.fsync(stream.fileno())
            os.chmod(part, 0o666 & ~_mask())
            if fcntl is not None:
                os.replace(part, path)
        if fcntl is None:
            os.replace(part, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(part)
        raise


def write_folder(target: Path, fill: Callable[[Path], None], last: str, replaced: Container[str] = ()) -> list[str]:
    """Has `fill` write into a hidden folder, then puts that in the place of `target`; returns the names written.

    What stands in `target` under other names is the user's: it stays, but for the names `replaced`. Where the folder
    itself cannot be replaced (a mount point, or one is in it, or its own folder is not ours to write), each file takes
    its place by itself, the one called `last` at the end. Raises OSError and leaves `target` as it was."""
    target.parent.mkdir(parents=True, exist_ok=True)
    in_place = _stays(target)
    clear_leftovers(target / last if in_place else target)
    with _hidden_folder(target / last if in_place else target) as at:
        fresh = at / _NEW
        fresh.mkdir()
        fill(fresh)
        names = sorted(path.name for path in fresh.iterdir())
        if in_place:
            for name in sorted(names, key=lambda name: name == last):
                os.replace(fresh / name, target / name)
            for path in [path for path in target.iterdir() if path.name in replaced and path.name not in names]:
                path.unlink()
        else:
            _take_place(fresh, target, at / _OLD, replaced)
    return names


def clear_leftovers(target: Path) -> None:
    """Clears what killed runs left beside a file or folder, and puts a folder back that one had set aside."""
    with suppress(OSError):
        for path in list(target.parent.iterdir()):
            if path.name.startswith(_hidden(target)) and not path.is_symlink():
                with suppress(OSError):
                    _clear(path, target)


def clear_parts(folder: Path) -> None:
    """Clears the files killed runs left half-written anywhere below a cache's folder."""
    for path in folder.rglob(f".*{_MARK}*"):
        if _PART.fullmatch(path.name) and path.is_file() and not path.is_symlink():
            with suppress(OSError):
                _clear(path, path)


def _clear(path: Path, target: Path) -> None:
    lock = path / _LOCK if path.is_dir() else path
    try:
        handle = os.open(lock, os.O_RDWR)
    except FileNotFoundError:
        path.rmdir()  # a run killed before it wrote anything; not if anything is in it
        return
    try:
        if not _locked(handle, wait=False):
            return
        if not path.is_dir():
            path.unlink()
            return
        if (path / _OLD).is_dir() and not target.exists():
            os.rename(path / _OLD, target)
        _remove(path)
    finally:
        os.close(handle)


def _remove(folder: Path) -> None:
    """Removes a hidden folder, the lock at last: a run killed here leaves what the next one knows."""
    for name in os.listdir(folder):
        if name != _LOCK:
            _remove_whole(folder / name)
    (folder / _LOCK).unlink()
    folder.rmdir()


def _remove_whole(folder: Path) -> None:
    """Removes a folder set aside, into which another run may be writing or from which it may take its file away."""
    for left in reversed(range(_TRIES)):
        shutil.rmtree(folder, ignore_errors=bool(left))
        if not folder.exists():
            return


def _hidden(target: Path) -> str:
    return f".{target.name[:_NAME_SIGNS]}{_MARK}"


def _hidden_file(path: Path) -> tuple[int, str]:
    for _ in range(_TRIES):
        handle, part = tempfile.mkstemp(prefix=_hidden(path), dir=path.parent)
        _locked(handle, wait=True)
        if os.path.exists(part):
            return handle, part
        os.close(handle)  # another run took it for a leftover before it was locked
    raise FileExistsError(errno.EEXIST, "another run clears what this one writes", str(path))


@contextmanager
def _hidden_folder(target: Path) -> Iterator[Path]:
    for _ in range(_TRIES):
        at = Path(tempfile.mkdtemp(prefix=_hidden(target), dir=target.parent))
        try:
            handle = os.open(at / _LOCK, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        except FileNotFoundError:
            continue
        _locked(handle, wait=True)
        if (at / _LOCK).exists():
            break
        os.close(handle)
    else:
        raise FileExistsError(errno.EEXIST, "another run clears what this one writes", str(target))
    try:
        yield at
    finally:
        if (at / _OLD).exists() and not target.exists():  # set aside, and the new one did not come
            _moved(at / _OLD, target)
        if fcntl is None:
            os.close(handle)
        with suppress(OSError):
            _remove(at)
        if fcntl is not None:
            os.close(handle)


def _locked(handle: int, *, wait: bool) -> bool:
    """True when the file is locked by this process now; a file system without locks never says so."""
    if fcntl is None:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        return False
    return True


def _stays(target: Path) -> bool:
    """True for a folder whose files can be replaced and which cannot itself."""
    if not target.is_dir():
        return False
    if not os.access(target.parent, os.W_OK | os.X_OK) or os.path.ismount(target):
        return True
    return any(os.path.ismount(os.path.join(at, name)) for at, inside, _ in os.walk(target) for name in inside)


def _take_place(fresh: Path, target: Path, aside: Path, replaced: Container[str]) -> None:
    own = {path.name for path in fresh.iterdir()}
    for _ in range(_TRIES):
        with suppress(FileNotFoundError):  # each time another run may have put its own in place meanwhile
            if not target.exists() and _moved(fresh, target):
                return
            _carry(target, fresh, replaced, _linked)
            shutil.copymode(target, fresh)
            gone = fresh
            if not _exchange(fresh, target):
                os.rename(target, aside)
                if not _moved(fresh, target):
                    _remove_whole(aside)
                    continue
                gone = aside
            with suppress(OSError):  # what the user put there since
                _carry(gone, target, {*own, *_names(gone, replaced)}, os.rename)
            return
    raise FileExistsError(errno.EEXIST, "other runs write it without end", str(target))


def _moved(fresh: Path, target: Path) -> bool:
    """True when the folder took the empty place; False when another run did."""
    try:
        os.rename(fresh, target)
    except OSError as fault:
        if fault.errno not in (errno.ENOTEMPTY, errno.EEXIST):
            raise
        return False
    return True


def _names(folder: Path, some: Container[str]) -> set[str]:
    return {path.name for path in folder.iterdir() if path.name in some}


def _carry(source: Path, to: Path, but: Container[str], carry: Callable[[Path, Path], object]) -> None:
    """Every file of `source` that `to` has not, its folders walked into."""
    for path in list(source.iterdir()):
        there = to / path.name
        if path.name in but or (_PART.fullmatch(path.name) and not path.is_dir()):
            continue
        if path.is_dir() and not path.is_symlink():
            if not there.exists():
                there.mkdir()
                shutil.copymode(path, there)
            _carry(path, there, (), carry)
        elif not os.path.lexists(there):
            carry(path, there)


def _linked(path: Path, to: Path) -> None:
    """The same file under a second name; a copy where the file system has no second names."""
    try:
        os.link(path, to, follow_symlinks=False)
    except FileNotFoundError:
        return  # gone meanwhile
    except (OSError, NotImplementedError):
        shutil.copy2(path, to, follow_symlinks=False)


def _exchange(one: Path, other: Path) -> bool:
    """Two folders change places in one step; False where the system has no such step."""
    import ctypes

    try:
        system = ctypes.CDLL(None, use_errno=True)
        if sys.platform == "linux":  # renameat2(2): AT_FDCWD, RENAME_EXCHANGE
            return bool(system.renameat2(-100, os.fsencode(one), -100, os.fsencode(other), 2) == 0)
        if sys.platform == "darwin":  # renamex_np(2): RENAME_SWAP
            return bool(system.renamex_np(os.fsencode(one), os.fsencode(other), 2) == 0)
    except (OSError, TypeError, AttributeError):
        pass
    return False


def _mask() -> int:
    """What a plain open() takes off the mode of a new file."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
