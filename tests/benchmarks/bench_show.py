# SPDX-License-Identifier: GPL-3.0-or-later
"""A show of 5,000 frames: one process, two, a cluster, and again with one strip moved.

Every render is the whole command, from starting Python to the last file, report page and all.
*One process* is ``--jobs 1``: the frames one after the other in the process that was started,
which uses one thread of its own. *Two processes* is ``--jobs 2``, each worker with one thread;
without ``--jobs`` two processors get the same two workers.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from rows import row, skipped

HERE = Path(__file__).resolve().parent
PROGRAM = "import sys; from beamwright.addon.command import main; sys.exit(main())"
FRAMES = 5002


def render(*arguments: object) -> tuple[float, float]:
    """Run the program; return the seconds it took and the most megabytes it held."""
    start = time.perf_counter()
    command = [sys.executable, "-W", "ignore", "-c", PROGRAM, "render", *map(str, arguments)]
    with tempfile.TemporaryFile() as said:
        running = subprocess.Popen(command, stdout=said, stderr=said)
        if hasattr(os, "wait4"):
            _, status, usage = os.wait4(running.pid, 0)
            running.returncode = os.waitstatus_to_exitcode(status)
            unit = 1 << 20 if sys.platform == "darwin" else 1 << 10
            most = usage.ru_maxrss / unit
        else:
            running.wait()
            most = float("nan")
        seconds = time.perf_counter() - start
        if running.returncode:
            said.seek(0)
            raise RuntimeError(said.read().decode("utf-8", "replace"))
    return seconds, most


@contextmanager
def cluster(folder: Path) -> Iterator[str | None]:
    """Run a scheduler and two workers of one thread; gives the address, None without Dask."""
    try:
        import distributed
    except ImportError:
        yield None
        return
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        dashboard_address=None,
        local_directory=str(folder),
    ) as running:
        yield running.scheduler_address


def same(one: Path, other: Path) -> bool:
    """Whether two folders hold the same frame files, byte for byte."""
    names = ("Pictures.ild", "Lettering.ild", "report.csv")
    return all((one / name).read_bytes() == (other / name).read_bytes() for name in names)


def rows(quick: bool) -> list[dict]:
    """Measure."""
    count = 240 if quick else FRAMES
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        show, moved, touching = (folder / f"{kind}.blend" for kind in ("show", "moved", "touching"))
        subprocess.run(
            [sys.executable, "-W", "ignore", str(HERE / "long_show.py"),
             str(show), str(moved), str(touching)],
            check=True, capture_output=True,
        )  # fmt: skip

        def timed(
            file: Path, out: str, cache: str, *more: object, last: int = count
        ) -> tuple[float, float]:
            folders = ("--out", folder / out, "--cache", folder / cache)
            return render(file, *folders, "--frames", f"1-{last}", *more)

        one, most = timed(show, "1", "c1", "--jobs", 1)
        two, _ = timed(show, "2", "c2", "--jobs", 2)
        if not same(folder / "1", folder / "2"):
            raise RuntimeError("two processes wrote other files than one")
        again, _ = timed(moved, "3", "c1")
        amid, _ = timed(touching, "4", "c1")
        _, most_of_few = timed(show, "5", "c5", "--jobs", 1, last=count // 4)
        with cluster(folder / "dask") as address:
            spread = None
            if address is not None:
                spread, _ = timed(show, "6", "c6", "--scheduler", address)
                if not same(folder / "1", folder / "6"):
                    raise RuntimeError("the cluster wrote other files than one process")
    frames = f"{count} frames, "
    found = [
        row("show", frames + "one process, a frame", 1e3 * one / count),
        row("show", frames + "two processes against one", two, one, unit="s", target=1.8),
        row("show", frames + "a caption moved against first", again, one, unit="s", target=50.0),
        row("show", frames + "a scene amid others moved against first", amid, one, unit="s"),
        # Flat: four times the frames need at most a quarter more.
        row("show", frames + "memory against a quarter of them", most, most_of_few, "MB", 0.8),
    ]
    case = frames + "Dask, two workers, against two processes"
    if spread is None:
        found.append(skipped("show", case, "the extra [cluster] is not installed"))
    else:
        found.append(row("show", case, spread, two, unit="s", target=1.0 / 1.15))
    return found
