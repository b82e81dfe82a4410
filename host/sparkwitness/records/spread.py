"""The same function over many files: on this computer's cores, or on a cluster's.

Both give (file, row, why) as they are done, in no order, with a bounded number under way; a worker
that is lost costs nothing but its time, unless one file ends every worker that takes it.
"""

import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from itertools import islice
from pathlib import Path
from typing import Any

import numpy as np

from sparkwitness import __version__
from sparkwitness.errors import UserError, needed
from sparkwitness.foreign import shown
from sparkwitness.records.summary import File, Row, attempt

Done = tuple[File, Row | None, str]
_ENDED = "its worker was ended, perhaps for want of memory"
_CHUNK = 16  # files of one task of a cluster: a task costs it about a millisecond
_WAIT_S = 20.0


def local(
    folder: Path,
    files: list[File],
    jobs: int,
    work: Callable[[str], tuple[Row | None, str]] = attempt,
) -> Iterator[Done]:
    """In processes of this computer."""
    # Spawned, not forked: a progress bar runs in a thread.
    context = multiprocessing.get_context("spawn")
    coming = iter(files)
    suspects: list[File] = []
    while True:
        waiting: dict[Future[tuple[Row | None, str]], File] = {}
        with ProcessPoolExecutor(min(jobs, max(1, len(files))), context) as pool:
            try:
                while True:
                    for one in islice(coming, 4 * jobs - len(waiting)):
                        suspects.append(one)
                        waiting[pool.submit(work, str(folder / one.name))] = one
                    if not waiting:
                        return
                    for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                        one = waiting[future]
                        found = future.result()
                        del waiting[future]
                        suspects.remove(one)
                        yield (one, *found)
            except BrokenProcessPool:
                pass
            except BaseException:  # broken off: what waits need not be done
                pool.shutdown(cancel_futures=True)
                raise
        # One of these ended its worker, and the others went with it: each by itself.
        for one in suspects:
            with ProcessPoolExecutor(1, context) as alone:
                try:
                    yield (one, *alone.submit(work, str(folder / one.name)).result())
                except BrokenProcessPool:
                    yield one, None, _ENDED
        suspects.clear()


def _versions() -> str:
    return f"sparkwitness {__version__}, numpy {np.__version__}"


def _chunk(paths: list[str]) -> list[tuple[Row | None, str]]:
    return [attempt(path) for path in paths]


def cluster(folder: Path, files: list[File], address: str) -> Iterator[Done]:
    """On the workers of a Dask scheduler; they reach the files by the same names.

    Raises:
        UserError: no scheduler there, no workers, or workers with other versions.
    """
    distributed = needed("distributed", "cluster")
    try:
        client = distributed.Client(address, timeout=_WAIT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UserError(f"no scheduler answers at {shown(address)}: {shown(str(error))}") from None
    with client:
        _check(client)
        yield from _on(client, distributed, folder, files)


def _check(client: Any) -> None:
    """Workers that would give other bits, or none at all, are named before anything is done."""
    try:
        client.wait_for_workers(1, timeout=_WAIT_S)
    except TimeoutError:
        raise UserError("the scheduler has no workers: start one with dask worker") from None
    own = _versions()
    for worker, told in client.run(_versions, on_error="return").items():
        if told != own:
            raise UserError(
                f"worker {shown(str(worker))} has {shown(str(told))}, not {own}: install the same"
            )


def _on(client: Any, distributed: Any, folder: Path, files: list[File]) -> Iterator[Done]:
    coming = iter(files)
    doing = distributed.as_completed(loop=client.loop)
    chunks: dict[str, list[File]] = {}

    def submit(chunk: list[File]) -> None:
        paths = [str(folder.resolve() / one.name) for one in chunk]
        future = client.submit(_chunk, paths, pure=False)
        chunks[future.key] = chunk
        doing.add(future)

    def more() -> None:
        while len(chunks) < 4 * max(1, len(client.nthreads())):
            chunk = list(islice(coming, _CHUNK))
            if not chunk:
                return
            submit(chunk)

    more()
    for future in doing:
        chunk = chunks.pop(future.key)
        try:
            found = future.result()
        except distributed.KilledWorker:
            # The scheduler gave it to several workers, and all were lost.
            if len(chunk) == 1:
                yield chunk[0], None, _ENDED
            else:
                for one in chunk:
                    submit([one])
        except (OSError, distributed.CancelledError) as error:
            raise UserError(
                f"the cluster was lost ({shown(str(error)) or type(error).__name__}); the same "
                "command goes on from there"
            ) from None
        else:
            for one, told in zip(chunk, found, strict=True):
                yield (one, *told)
        more()
