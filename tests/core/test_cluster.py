# SPDX-License-Identifier: GPL-3.0-or-later
"""A cluster of real worker processes; they open the show in Blender, so bpy is needed."""

import contextlib
import os
import subprocess
import sys
import time

import pytest

pytest.importorskip("bpy", reason="the workers open a .blend file")
distributed = pytest.importorskip("distributed", reason="the extra [cluster] is not installed")

from beamwright.core.errors import HostError  # noqa: E402 - after the checks above
from beamwright.core.show.cluster import ClusterRunner  # noqa: E402
from beamwright.core.show.jobs import WorkerCommand, WorkerRequest  # noqa: E402

PROGRAM = "import sys; from beamwright.addon.command import main; sys.exit(main())"
SCENE = os.path.join(os.path.dirname(__file__), "..", "..", "sample_scenes", "lighthouse.blend")


def render(out, cache, *more):
    return subprocess.Popen(
        [
            sys.executable,
            "-c",
            PROGRAM,
            "render",
            SCENE,
            "--out",
            str(out),
            "--frames",
            "1-60",
            "--cache",
            str(cache),
            *more,
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


@pytest.fixture
def cluster(tmp_path):
    """A scheduler and two workers in processes of their own."""
    with contextlib.ExitStack() as stack:
        cluster = stack.enter_context(
            distributed.LocalCluster(
                n_workers=2,
                threads_per_worker=1,
                processes=True,
                dashboard_address=None,
                local_directory=str(tmp_path / "dask"),
            )
        )
        yield cluster


def test_a_lost_worker_is_survived(cluster, tmp_path):
    """One of two is killed in the middle; the files are those of a render without a cluster."""
    alone = render(tmp_path / "alone", tmp_path / "c1")
    assert alone.wait(timeout=120) == 0
    running = render(tmp_path / "out", tmp_path / "c2", "--scheduler", cluster.scheduler_address)
    deadline = time.monotonic() + 60.0
    while not list((tmp_path / "c2").rglob("*.bwc")) and time.monotonic() < deadline:
        time.sleep(0.02)
    next(iter(cluster.workers.values())).process.process.kill()
    _, complaints = running.communicate(timeout=120)
    assert running.returncode == 0, complaints.decode()
    for name in ("Pictures.ild", "report.json", "report.csv"):
        assert (tmp_path / "out" / name).read_bytes() == (tmp_path / "alone" / name).read_bytes()


def test_dead_address(monkeypatch):
    monkeypatch.setattr("beamwright.core.show.cluster.TIMEOUT_S", 0.5)
    request = WorkerRequest("none.blend", "", None, None, "")
    with pytest.raises(HostError, match=r"No scheduler answers at tcp://127\.0\.0\.1:9"):
        ClusterRunner("tcp://127.0.0.1:9", request, WorkerCommand(()))
