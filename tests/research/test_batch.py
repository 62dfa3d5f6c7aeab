"""Runs that are interrupted, repeated and spread over processes end with the same bytes."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time

import pytest

from vision_rom.cli.app import run as command
from vision_rom.errors import OutputError, UsageError
from vision_rom.research.batch import Listener, run_batch
from vision_rom.research.manifest import items_of
from vision_rom.research.run_folder import locked
from vision_rom.research.settings import BatchSettings

ALL = BatchSettings(frames="both", exports=("c3d", "jsonl"))


@pytest.fixture(scope="module")
def undisturbed(people, tmp_path_factory):
    out = tmp_path_factory.mktemp("runs") / "undisturbed"
    return run_batch(*items_of(people), out, ALL, workers=0)


def test_every_row_of_the_manifest_is_answered_for(undisturbed, rows):
    run = undisturbed.folder
    clips = rows(run / "clips.csv")
    assert [one["clip"] for one in clips] == [*(f"p{n:03d}.json" for n in range(6)), "broken.json", "absent.json"]
    assert [one["status"] for one in clips] == ["read"] * 6 + ["failed"] * 2
    failures = {one["clip"]: one for one in rows(run / "failures.csv")}
    assert failures["broken.json"]["kind"] == "ClipDamaged"
    assert failures["absent.json"]["kind"] == "ClipMissing"
    assert "check the path" in failures["absent.json"]["reason"]


def test_angles_are_those_that_were_drawn(undisturbed, rows):
    readings = rows(undisturbed.folder / "readings.csv")
    assert [one["status"] for one in readings] == ["measured"] * 6
    for number, one in enumerate(readings):
        assert float(one["held_deg"]) == pytest.approx(60 + number, abs=0.5)
        assert float(one["interval95_low_deg"]) < 60 + number < float(one["interval95_high_deg"])
        assert (one["subject"], one["site"]) == (f"s{number // 2}", 'north, "2"')


@pytest.mark.parametrize(("workers", "recycle_after"), [(1, 5), (3, 2)])
def test_the_number_of_workers_cannot_be_seen(people, undisturbed, tmp_path, workers, recycle_after, digests):
    run_batch(*items_of(people), tmp_path / "run", ALL, workers=workers, recycle_after=recycle_after)
    assert digests(tmp_path / "run") == digests(undisturbed.folder)
    log = [json.loads(line) for line in (tmp_path / "run" / "log.jsonl").read_text().splitlines()]
    assert len(log) == 8
    assert len({one["process"] for one in log}) >= 8 / recycle_after, "a process is replaced after so many"


def test_what_is_done_is_not_done_again(people, undisturbed, tmp_path, digests):
    root, items = items_of(people)

    class Stop(Exception):
        pass

    seen = []

    def stop(done):
        seen.append(done.clip_id)
        if len(seen) == 4:
            raise Stop

    with pytest.raises(Stop):
        run_batch(root, items, tmp_path / "run", ALL, workers=0, listener=Listener(done=stop))
    parts = {one: one.stat().st_ino for one in (tmp_path / "run" / "parts").iterdir()}
    assert not (tmp_path / "run" / "readings.csv").exists(), "no table before the end"
    result = run_batch(root, items, tmp_path / "run", ALL, workers=0)
    assert result.resumed == 4
    assert {one: one.stat().st_ino for one in parts} == parts
    assert digests(tmp_path / "run") == digests(undisturbed.folder)


def test_killed_and_started_again(tmp_path, people_in, digests):
    """SIGKILL of the first process, at moments when its workers are busy."""
    manifest = people_in(tmp_path / "many", 28, first_peak=40.0)
    calm, stormy = tmp_path / "calm", tmp_path / "stormy"
    run_batch(*items_of(manifest), calm, BatchSettings(), workers=0)
    line = [sys.executable, "-m", "vision_rom", "batch", str(manifest), "--out", str(stormy), "--workers", "2"]
    done = lambda: len(list((stormy / "parts").glob("*.json"))) if (stormy / "parts").is_dir() else 0
    for goal in (2, 9):
        process = subprocess.Popen(line, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while done() < goal and process.poll() is None:
            time.sleep(0.005)
        process.send_signal(signal.SIGKILL)
        assert process.wait() == -signal.SIGKILL, "it was over before the kill"
    before = {one: one.stat().st_mtime_ns for one in (stormy / "parts").glob("*.json")}
    assert 9 <= len(before) < 30
    assert subprocess.run(line, capture_output=True, check=False).returncode == 0
    # a worker of the killed run may have written one more part after the count
    assert sum(one.stat().st_mtime_ns == stamp for one, stamp in before.items()) >= len(before) - 2
    assert digests(stormy) == digests(calm)


def test_a_killed_worker_costs_nothing(people, undisturbed, tmp_path, digests):
    killed = []

    def kill_once(done):
        if not killed:
            killed.append(done.process)
            os.kill(done.process, signal.SIGKILL)

    run_batch(*items_of(people), tmp_path / "run", ALL, workers=2, listener=Listener(done=kill_once))
    assert killed
    assert digests(tmp_path / "run") == digests(undisturbed.folder)


def test_a_recording_that_kills_every_worker_is_listed(tmp_path, people_in, rows, waits_for_a_partner):
    manifest = people_in(tmp_path, 3)
    os.remove(tmp_path / "p001.json")
    os.mkfifo(tmp_path / "p001.json")  # whoever opens it waits for ever
    over = threading.Event()

    def kill_who_waits():
        while not over.wait(0.05):
            for child in multiprocessing.active_children():
                if waits_for_a_partner(child.pid):
                    child.kill()

    killer = threading.Thread(target=kill_who_waits)
    killer.start()
    try:
        result = run_batch(*items_of(manifest), tmp_path / "run", BatchSettings(), workers=1)
    finally:
        over.set()
        killer.join()
    assert result.failures["worker_lost"] == 1
    lost = [one for one in rows(tmp_path / "run" / "failures.csv") if one["kind"] == "worker_lost"]
    assert lost[0]["clip"] == "p001.json"
    assert "3 times" in lost[0]["reason"]
    assert result.readings_measured == 2


@pytest.mark.skipif(sys.platform != "linux", reason="address space is limited so on Linux alone")
@pytest.mark.parametrize("told_as", ["MemoryError", "InstallationError"])
def test_a_recording_that_is_refused_memory_is_told_as_that(tmp_path, people_in, rows, told_as):
    """Under a real limit; libraries tell of it as of a damaged picture or of a network that cannot be loaded."""
    manifest = people_in(tmp_path, 2)
    program = f"""
import resource, sys
from pathlib import Path
import numpy as np
from vision_rom import errors
from vision_rom.research import work
from vision_rom.research.batch import run_batch
from vision_rom.research.manifest import items_of
from vision_rom.research.settings import BatchSettings

whole = work.measure_item
def hungry(item, *more):
    if item.clip == "p001.json":
        try:
            np.ones((1 << 31) // 8)
        except MemoryError:
            if "{told_as}" != "MemoryError":
                raise getattr(errors, "{told_as}")("something else") from None
            raise
    return whole(item, *more)
work.measure_item = hungry
in_use = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
resource.setrlimit(resource.RLIMIT_AS, (in_use + (300 << 20), resource.RLIM_INFINITY))
result = run_batch(*items_of(Path(sys.argv[1])), Path(sys.argv[2]), BatchSettings(), workers=0)
print(result.readings_measured)
"""
    command = [sys.executable, "-c", program, str(manifest), str(tmp_path / "run")]
    ended = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (ended.returncode, ended.stderr) == (0, "")
    assert ended.stdout.strip() == "1"
    (failed,) = [one for one in rows(tmp_path / "run" / "failures.csv") if one["clip"] == "p001.json"]
    assert failed["kind"] == "out_of_memory"
    assert "more memory" in failed["reason"]
    # with memory again it is measured, and nothing else is
    again = run_batch(*items_of(manifest), tmp_path / "run", BatchSettings(), workers=0, retry_failed=True)
    assert (again.resumed, again.readings_measured) == (1, 2)


def test_failed_recordings_are_tried_again_on_request(tmp_path, people_in):
    manifest = people_in(tmp_path, 2)
    root, items = items_of(manifest)
    first = run_batch(root, items, tmp_path / "run", workers=0)
    (tmp_path / "absent.json").write_bytes((tmp_path / "p000.json").read_bytes())
    unchanged = run_batch(root, items, tmp_path / "run", workers=0)
    again = run_batch(root, items, tmp_path / "run", workers=0, retry_failed=True)
    assert (first.readings_measured, unchanged.readings_measured, again.readings_measured) == (2, 2, 2)
    # its row says left while the right arm moves, so it is read now and not measured
    assert again.failures == {"ClipDamaged": 1, "not_measured": 1}


def test_one_folder_holds_one_run(people, tmp_path):
    root, items = items_of(people)
    run_batch(root, items[:2], tmp_path / "run", workers=0)
    with pytest.raises(UsageError, match="other list of recordings"):
        run_batch(root, items[:3], tmp_path / "run", workers=0)
    with pytest.raises(UsageError, match="other settings"):
        run_batch(root, items[:2], tmp_path / "run", BatchSettings(movement="flexion"), workers=0)
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "letter.txt").write_text("mine")
    with pytest.raises(UsageError, match="not empty"):
        run_batch(root, items, tmp_path / "other", workers=0)
    with locked(tmp_path / "run"), pytest.raises(UsageError, match="Another run"):
        run_batch(root, items[:2], tmp_path / "run", workers=0)


@pytest.mark.skipif(os.geteuid() == 0 and not os.path.exists("/dev/full"), reason="nothing here refuses to be written")
@pytest.mark.parametrize("workers", [0, 1])
def test_a_result_that_cannot_be_written_ends_the_run(people, tmp_path, workers):
    root, items = items_of(people)
    run = tmp_path / "run"
    run_batch(root, items[:1], run, workers=0)
    for one in (run / "parts").iterdir():
        one.unlink()
    (run / "parts").rmdir()
    (run / "parts").write_text("in the way")
    with pytest.raises(OutputError, match="parts"):
        run_batch(root, items[:1], run, workers=workers)


def test_again_finds_no_difference_and_then_the_one_that_is_there(people, tmp_path, capsys, rows, digests):
    root, items = items_of(people)
    run = tmp_path / "run"
    run_batch(root, items[:3], run, workers=0)
    assert command(["batch", "--again", str(run), "--out", str(tmp_path / "same"), "--workers", "1"]) == 0
    assert "No difference." in capsys.readouterr().out
    assert digests(tmp_path / "same").keys() - digests(run).keys() == {"differences.csv"}
    part = next((run / "parts").glob("p000*.json"))
    text = part.read_text()
    held = json.loads(text)["readings"][0]["held_deg"]
    part.write_text(text.replace(f'"held_deg": {held}', f'"held_deg": {held + 2}', 1))
    run_batch(root, items[:3], run, workers=0)  # puts the tables together from the parts
    assert command(["batch", "--again", str(run), "--out", str(tmp_path / "other"), "--workers", "1"]) == 1
    assert "readings.held_deg: up to 2" in capsys.readouterr().out
    found = rows(tmp_path / "other" / "differences.csv")
    assert [(one["table"], one["column"], one["second_minus_first"]) for one in found] == [
        ("readings", "held_deg", "-2")
    ]


def test_real_recordings(sample_clips, tmp_path, capsys, rows):
    folder = tmp_path / "clips"
    folder.mkdir()
    (folder / "a.mp4").symlink_to(sample_clips / "flexion_right.mp4")
    (folder / "notes.txt").write_text("no recording")
    assert command(["batch", str(folder), "--out", str(tmp_path / "run"), "--rate", "10", "--workers", "1"]) == 0
    assert "1 recordings (0 done before), 1 readings measured" in capsys.readouterr().out
    (one,) = rows(tmp_path / "run" / "readings.csv")
    assert (one["movement"], one["side"], one["status"]) == ("flexion", "right", "measured")
    document = json.loads((tmp_path / "run" / "run.json").read_text())
    assert document["software"]["model"]["sha256"] == rows(tmp_path / "run" / "clips.csv")[0]["model_sha256"]
    assert document["seed"] == 0
    assert json.loads((tmp_path / "run" / "machine.json").read_text())["cores"] >= 1


@pytest.mark.parametrize(
    "arguments",
    [["batch"], ["batch", "nowhere", "--out", "x"], ["batch", ".", "--again", "."], ["batch", "--again", "."]],
)
def test_wrong_commands_end_with_a_sentence(arguments, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert command(arguments) == 2
    assert capsys.readouterr().err.startswith("vision-rom: ")
