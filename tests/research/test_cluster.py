"""The same run on a Dask cluster of processes, with a worker killed while it measures."""

from __future__ import annotations

import os
import signal
import threading
import time
import warnings

import pytest

from vision_rom.errors import InstallationError
from vision_rom.research import cluster as cluster_room
from vision_rom.research.batch import run_batch
from vision_rom.research.manifest import items_of
from vision_rom.research.settings import BatchSettings


@pytest.fixture(scope="module")
def cluster():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, on ports and file handles
        from distributed import LocalCluster

        with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as made:
            yield made


@pytest.mark.filterwarnings("ignore")
def test_a_cluster_gives_the_bytes_of_one_machine_though_a_worker_is_killed(
    cluster, tmp_path, people_in, digests, waits_for_a_partner
):
    manifest = people_in(tmp_path / "people", 12)
    root, items = items_of(manifest)
    run_batch(root, items, tmp_path / "alone", BatchSettings(), workers=0)
    content = (tmp_path / "people" / "p004.json").read_bytes()
    trap = tmp_path / "people" / "p004.json"
    trap.unlink()
    os.mkfifo(trap)  # the worker that gets it waits, until it is killed in the middle of it
    killed = []

    def kill_who_waits():
        until = time.monotonic() + 60
        while not killed and time.monotonic() < until:
            time.sleep(0.05)
            for nanny in cluster.workers.values():
                pid = nanny.process.process.pid if nanny.process else None
                if pid and waits_for_a_partner(pid):
                    (tmp_path / "whole.json").write_bytes(content)
                    os.replace(tmp_path / "whole.json", trap)
                    killed.append(pid)
                    os.kill(pid, signal.SIGKILL)

    killer = threading.Thread(target=kill_who_waits)
    killer.start()
    result = run_batch(root, items, tmp_path / "many", BatchSettings(), scheduler=cluster.scheduler_address)
    killer.join()
    assert len(killed) == 1
    assert result.readings_measured == 12
    assert digests(tmp_path / "many") == digests(tmp_path / "alone")


def test_no_scheduler_is_said_so(tmp_path, people, monkeypatch):
    monkeypatch.setattr(cluster_room, "PATIENCE", "2s")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with pytest.raises(InstallationError, match="dask scheduler"):
            run_batch(*items_of(people), tmp_path / "run", scheduler="tcp://127.0.0.1:1")
