"""The pages in a real browser, with real recordings, from the drop to the report and from the link to "sent"."""

from __future__ import annotations

import base64
import os
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from vision_rom.web.store import ClinicStore

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
playwright = pytest.importorskip("playwright.sync_api")
pytestmark = [pytest.mark.slow, pytest.mark.skipif(CHROMIUM is None, reason="no chromium: apt-get install chromium")]

STARTS_WITHIN_S = 60.0
DESKTOP, TABLET, PHONE = (
    {"width": 1280, "height": 900}, {"width": 820, "height": 1180}, {"width": 390, "height": 844},
)  # fmt: skip
CODE = "p-7"
MEASURED_WITHIN_MS = 240_000
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
SHOTS = os.environ.get("VISION_ROM_SCREENSHOTS")
"""Folder for pictures of every page, to be looked at"""


@dataclass(frozen=True)
class Served:
    """A server that runs: where, with which records, and the address that lets this machine's user in."""

    url: str
    folder: Path
    way_in: str


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@contextmanager
def serving(folder: Path, port: int | None = None) -> Iterator[Served]:
    """``vision-rom serve`` as a process of its own, stopped as Ctrl-C stops it."""
    port = port or free_port()
    command = [sys.executable, "-m", "vision_rom", "serve", "--records", str(folder), "--port", str(port)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONUNBUFFERED": "1"}
    ) as process:
        try:
            assert process.stdout is not None
            said = process.stdout.readline()
            way_in = re.search(r"http://\S+", said)
            assert way_in, said
            _wait_for(port)
            yield Served(f"http://127.0.0.1:{port}", folder, way_in.group())
        finally:
            process.send_signal(2)
            process.wait(timeout=30)


def _wait_for(port: int) -> None:
    until = time.monotonic() + STARTS_WITHIN_S
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=1).close()
            return
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.1)


@pytest.fixture(scope="module")
def fake_camera(sample_clips: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A rendered recording as the camera's picture, 1280 x 720."""
    path = tmp_path_factory.mktemp("camera") / "camera.mjpeg"
    with av.open(str(sample_clips / "demo_abduction_right.mp4")) as clip, path.open("wb") as out:
        for frame in clip.decode(video=0):
            picture = frame.to_ndarray(format="bgr24")
            high = cv2.resize(picture, (540, 720))
            wide = cv2.copyMakeBorder(high, 0, 0, 370, 370, cv2.BORDER_REPLICATE)
            out.write(cv2.imencode(".jpg", wide, [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes())
    return path


@pytest.fixture(scope="module")
def browser(fake_camera: Path) -> Iterator[Any]:
    with playwright.sync_playwright() as driver:
        found = driver.chromium.launch(
            executable_path=CHROMIUM,
            args=[
                "--no-sandbox",
                "--use-fake-ui-for-media-stream",
                "--use-fake-device-for-media-stream",
                f"--use-file-for-fake-video-capture={fake_camera}",
            ],
        )
        yield found
        found.close()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with serving(tmp_path_factory.mktemp("clinic") / "records") as one:
        yield one


@pytest.fixture(scope="module")
def state(browser: Any, served: Served) -> Any:
    """Cookies of the signed-in user of this machine."""
    context = browser.new_context()
    page = context.new_page()
    page.goto(served.way_in)
    assert page.locator("h1:has-text('Today')").is_visible()
    kept = context.storage_state()
    context.close()
    return kept


class Watched:
    """A page with everything that it asked for and complained of."""

    def __init__(self, context: Any) -> None:
        self.page = context.new_page()
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on(
            "console", lambda said: self.complaints.append(said.text) if said.type in ("error", "warning") else None
        )
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def others(self, served: Served) -> list[str]:
        """Requests that left the server."""
        return [url for url in self.asked if not url.startswith((served.url, "data:", "blob:"))]


@pytest.fixture
def opened(browser: Any, state: Any, served: Served) -> Iterator[Callable[..., Watched]]:
    contexts = []

    def make(viewport: dict[str, int] = DESKTOP, *, signed_in: bool = True, **options: Any) -> Watched:
        context = browser.new_context(viewport=viewport, storage_state=state if signed_in else None, **options)
        contexts.append(context)
        return Watched(context)

    yield make
    for one in contexts:
        one.close()


def until(page: Any, true_in_page: str, given: object = None, *, within_s: float = 60.0) -> None:
    """Wait until an expression of the page is true; the page's own policy forbids the driver's way of waiting."""
    end = time.monotonic() + within_s
    while not page.evaluate(true_in_page, given):
        assert time.monotonic() < end, true_in_page
        page.wait_for_timeout(100)


def look(page: Any, name: str) -> None:
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/{name}.png", full_page=True)


def faults(page: Any) -> list[str]:
    """What the automated checker finds against WCAG 2.2 AA."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options={"runOnly": RULES}).response["violations"]
    return [f"{one['id']}: {one['nodes'][0]['html'][:200]} {one['nodes'][0]['failureSummary']}" for one in found]


@pytest.fixture(scope="module")
def measured(browser: Any, state: Any, served: Served, sample_clips: Path) -> str:
    """The review page of a recording that was dropped on a visit of a new patient and measured."""
    context = browser.new_context(viewport=DESKTOP, storage_state=state)
    watched = Watched(context)
    page = watched.page
    page.goto(served.url)
    page.get_by_label("Code (a pseudonym)").fill(CODE)
    page.get_by_label("Year of birth").fill("1971")
    page.get_by_label("Sex, for published ranges").select_option("female")
    page.get_by_label("Complaint", exact=True).fill("stiff shoulder")
    page.get_by_role("button", name="Add").click()
    page.get_by_role("button", name="Begin").click()
    content = base64.b64encode((sample_clips / "demo_abduction_right.mp4").read_bytes()).decode()
    drop = page.evaluate_handle(
        """content => {
            const bytes = Uint8Array.from(atob(content), one => one.charCodeAt(0));
            const carried = new DataTransfer();
            carried.items.add(new File([bytes], "IMG_0042.mp4", {type: "video/mp4"}));
            return carried;
        }""",
        content,
    )
    page.wait_for_load_state("networkidle")
    page.dispatch_event("[data-visit]", "drop", {"dataTransfer": drop})
    until(page, "() => document.querySelector('[data-said]').textContent.includes('First tick')")
    page.get_by_label("The patient agreed").check()
    page.dispatch_event("[data-visit]", "drop", {"dataTransfer": drop})
    page.wait_for_selector("#jobs progress[value]", timeout=MEASURED_WITHIN_MS)
    look(page, "visit-measuring")
    page.wait_for_selector("#jobs .state.done", timeout=MEASURED_WITHIN_MS)
    page.get_by_role("link", name="Show the newest").click()
    look(page, "visit")
    page.get_by_role("link", name="Review recording").click()
    url = str(page.url)
    page.wait_for_selector("[data-repetitions] tbody tr")
    assert watched.complaints == []
    assert watched.others(served) == []
    context.close()
    return url


def ready(watched: Watched, url: str) -> Any:
    page = watched.page
    page.goto(url)
    page.wait_for_selector("[data-repetitions] tbody tr")
    until(page, "document.querySelector('video').readyState >= 2")
    return page


def changed(page: Any, words: str) -> None:
    until(page, "words => document.querySelector('[data-said]').textContent.includes(words)", words)


def held(page: Any) -> int:
    return int(re.search(r"held (\d+)°", page.inner_text("[data-result]")).group(1))  # type: ignore[union-attr]


def test_review_from_a_dragged_edge_to_the_report(
    opened: Callable[..., Watched], measured: str, served: Served
) -> None:
    watched = opened()
    page = ready(watched, measured)
    before = page.inner_text("[data-result]")
    # the true held angle of this rendered arm is 89 degrees (sample_clips/README.md)
    assert held(page) == pytest.approx(89, abs=5)
    assert page.locator("[data-repetitions] tbody tr").count() == 2

    end = page.get_by_label("End of repetition 1 in seconds")
    was = float(end.input_value())
    box = page.locator("#curve .u-over").bounding_box()
    # the plot spans the recording's own time, so an edge's place follows from its time
    duration = page.evaluate("() => document.querySelector('video').duration")
    x = box["x"] + was / (duration - 1 / 30) * box["width"]
    page.mouse.move(x, box["y"] + 40)
    page.mouse.down()
    page.mouse.move(x - 40, box["y"] + 40, steps=4)
    page.mouse.up()
    changed(page, "The repetitions were changed.")
    assert float(page.get_by_label("End of repetition 1 in seconds").input_value()) < was - 0.3
    assert "corrected" in page.inner_text("[data-result]")

    alone = int(page.locator("[data-repetitions] tbody tr").first.locator("td").nth(2).inner_text().rstrip("°"))
    page.get_by_label("Leave out repetition 2").click()
    until(page, "document.querySelectorAll('[data-repetitions] tbody tr').length === 1")
    assert held(page) == alone
    page.keyboard.press("Control+z")
    until(page, "document.querySelectorAll('[data-repetitions] tbody tr').length === 2")
    page.get_by_role("button", name="Undo").click()
    changed(page, "The last change was undone.")
    until(page, "words => document.querySelector('[data-result]').textContent === words", before)

    page.locator("h1").click()
    page.keyboard.press("Space")
    until(page, "document.querySelector('video').currentTime > 1.0")
    page.keyboard.down("6")
    until(page, "document.querySelector('video').currentTime > 1.8")
    page.keyboard.up("6")
    changed(page, "Pain was marked.")
    assert page.locator("[data-pain] tbody tr").inner_text().split()[2] == "6"
    assert "Pain reported" in page.inner_text("[data-arc]")
    look(page, "review-pain")

    page.locator("[data-do=accept]").click()
    changed(page, "The reading was accepted.")
    assert "accepted" in page.inner_text("[data-result]")
    page.get_by_role("link", name="visit on").click()
    with page.expect_navigation():
        page.get_by_role("link", name="page").first.click()
    report = page.inner_text("body")
    assert "Abduction" in report
    assert "score 6" in report or "6 of 10" in report, report
    assert watched.complaints == []
    assert watched.others(served) == []


def test_lines_lie_on_the_very_picture(opened: Callable[..., Watched], measured: str, sample_clips: Path) -> None:
    page = ready(opened(), measured)
    with av.open(str(sample_clips / "demo_abduction_right.mp4")) as clip:
        pictures = [
            cv2.resize(frame.to_ndarray(format="rgb24"), (96, 128)).astype(float) for frame in clip.decode(video=0)
        ]
    page.locator("h1").click()
    for goal in (33, 38, 43):
        now = page.evaluate("() => Number(document.querySelector('[data-time]').textContent.split(' ')[0])")
        for _ in range(goal - round(now * 30)):
            page.keyboard.press("ArrowRight")
        until(page, "() => !document.querySelector('video').seeking")
        page.wait_for_timeout(300)
        assert page.inner_text("[data-time]") == f"{goal / 30:.2f} s"
        shown = page.evaluate(
            """() => {
                const canvas = document.createElement("canvas");
                canvas.width = 96; canvas.height = 128;
                const context = canvas.getContext("2d");
                context.imageSmoothingQuality = "high";
                context.drawImage(document.querySelector("video"), 0, 0, 96, 128);
                return [...context.getImageData(0, 0, 96, 128).data];
            }"""
        )
        seen = np.array(shown, float).reshape(128, 96, 4)[..., :3]
        away = [float(np.abs(seen - pictures[number]).mean()) for number in range(goal - 4, goal + 5)]
        assert int(np.argmin(away)) == 4, (goal, away)


def test_a_click_on_the_curve_moves_the_picture(opened: Callable[..., Watched], measured: str) -> None:
    page = ready(opened(), measured)
    box = page.locator("#curve .u-over").bounding_box()
    page.mouse.click(box["x"] + box["width"] * 0.31, box["y"] + 30)
    until(page, "() => document.querySelector('video').currentTime > 3")
    time_s = float(page.inner_text("[data-time]").split()[0])
    assert time_s == pytest.approx(0.31 * page.evaluate("document.querySelector('video').duration"), abs=0.12)
    assert page.inner_text("[data-angle]") != "\u2013"


def test_a_moved_point_and_another_movement(opened: Callable[..., Watched], measured: str) -> None:
    page = ready(opened(), measured)
    page.get_by_text("Move a joint point on this picture").click()
    page.get_by_label("Point", exact=True).select_option("right_elbow")
    was = float(page.get_by_label("x (px)").input_value())
    page.get_by_label("x (px)").fill(f"{was - 12:.1f}")
    page.get_by_role("button", name="Move", exact=True).click()
    changed(page, "The point was moved.")
    page.locator("h1").click()
    assert float(page.get_by_label("x (px)").input_value()) == pytest.approx(was - 12, abs=0.2)
    page.get_by_role("button", name="Undo").click()
    changed(page, "The last change was undone.")
    page.get_by_text("Another movement or side").click()
    page.locator("#other-movement").select_option("scaption")
    page.get_by_role("button", name="Measure as this").click()
    changed(page, "Measured as another movement.")
    assert "scaption" in page.inner_text("#which")
    page.get_by_role("button", name="Undo").click()
    changed(page, "The last change was undone.")
    assert "abduction" in page.inner_text("#which")


def test_an_elbow_is_marked_by_mouse_and_by_keys(opened: Callable[..., Watched], measured: str) -> None:
    watched = opened()
    page = ready(watched, measured)
    page.get_by_text("Another movement or side").click()
    page.locator("#other-movement").select_option("cross_body_adduction")
    page.get_by_role("button", name="Measure as this").click()
    changed(page, "Measured as another movement.")
    page.get_by_role("button", name="Mark the elbow of the right arm across the body").click()
    picture = page.locator("[data-mark-picture]")
    assert "not marked yet" in page.inner_text("[data-mark-said]")
    assert page.get_by_role("button", name="Measure with this mark").is_disabled()
    box = picture.bounding_box()
    page.mouse.click(box["x"] + 0.4 * box["width"], box["y"] + 0.5 * box["height"])
    x, y = (float(page.get_by_label(f"Mark, {one} in pixels").input_value()) for one in ("x", "y"))
    picture.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowUp")
    after = [float(page.get_by_label(f"Mark, {one} in pixels").input_value()) for one in ("x", "y")]
    assert after == pytest.approx([x + 1, y - 10], abs=0.11)
    for size in (DESKTOP, PHONE):
        page.set_viewport_size(size)
        assert faults(page) == []
        look(page, f"marking-{size['width']}")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    page.set_viewport_size(DESKTOP)
    # a hair across from the network's own shoulder, at its height
    page.get_by_label("Shoulder of this arm").check()
    picture.focus()
    page.keyboard.press("ArrowRight")
    own = [float(page.get_by_label(f"Mark, {one} in pixels").input_value()) for one in ("x", "y")]
    page.get_by_role("button", name="Take the network's shoulder").click()
    page.get_by_label("Elbow", exact=True).check()
    for label, value in (("x", own[0] + 25), ("y", own[1])):
        page.get_by_label(f"Mark, {label} in pixels").fill(f"{value:.1f}")
        page.keyboard.press("Tab")
    page.get_by_role("button", name="Measure with this mark").click()
    changed(page, "The elbow was marked.")
    assert "held" in page.inner_text("[data-result]")
    assert "shoulder widths" in page.inner_text("[data-places]")
    assert "marked by hand" in page.inner_text("[data-remarks]")
    page.get_by_role("button", name="Undo").click()
    changed(page, "The last change was undone.")
    page.get_by_role("button", name="Undo").click()
    until(page, "() => document.querySelector('#which').textContent.includes('abduction, right')")
    assert watched.complaints == []


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [DESKTOP, TABLET, PHONE], ids=["desktop", "tablet", "phone"])
def test_pages_pass_the_accessibility_checker(
    opened: Callable[..., Watched], measured: str, served: Served, size: dict[str, int], dark: bool
) -> None:
    watched = opened(size, color_scheme="dark" if dark else "light")
    name = f"{size['width']}-{'dark' if dark else 'light'}"
    page = ready(watched, measured)
    for at in page.locator("summary").all():
        at.click()
    over, under = page.locator(".stage canvas").bounding_box(), page.locator(".stage video").bounding_box()
    assert over == pytest.approx(under, abs=0.6)
    assert over["width"] / over["height"] == pytest.approx(540 / 720, abs=0.01)
    assert faults(page) == []
    look(page, f"review-{name}")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "the page must not scroll sideways"
    for path in ("/", f"/patients/{CODE}", "/visits/1", "/audit", "/no-such-page"):
        page.goto(served.url + path)
        assert faults(page) == [], path
        look(page, f"{path.strip('/').replace('/', '-') or 'today'}-{name}")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path


def test_review_by_keyboard_alone(opened: Callable[..., Watched], measured: str) -> None:
    page = ready(opened(), measured)
    reached, outlines = set(), set()
    for _ in range(60):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate(
                "() => { const at = document.activeElement; return at.getAttribute('data-do') || at.id || at.getAttribute('aria-label') || at.tagName; }"
            )
        )
        outlines.add(
            page.evaluate(
                "() => { const at = document.activeElement; return at === document.body ? 'solid' : getComputedStyle(at).outlineStyle; }"
            )
        )
    assert {
        "play",
        "back",
        "forth",
        "accept",
        "reject",
        "which",
        "add",
        "pain",
        "no-pain",
        "annotate",
        "note",
    } <= reached
    assert {"Leave out repetition 1", "Start of repetition 1 in seconds"} <= reached
    assert outlines == {"solid"}, "whoever moves by keyboard must see where"


def test_a_recording_without_its_landmarks_offers_to_be_measured_again(
    opened: Callable[..., Watched], measured: str
) -> None:
    page = opened().page
    tokens: list[str] = []

    def queued(route: Any) -> None:
        tokens.append(route.request.headers["x-form-token"])
        route.fulfill(status=204)

    page.route("**/api/clips/*", lambda route: route.fulfill(status=400, json={"detail": "They are not kept."}))
    page.route("**/clips/*/measure", queued)
    page.goto(measured)
    changed(page, "They are not kept.")
    page.get_by_role("button", name="Measure again").click()
    changed(page, "It is being measured again")
    assert [bool(one) for one in tokens] == [True]


@pytest.fixture
def link(opened: Callable[..., Watched], measured: str, served: Served) -> str:
    """A link for home for two movements of the patient."""
    page = opened().page
    page.goto(f"{served.url}/patients/{CODE}")
    page.get_by_label("Abduction, right", exact=True).check()
    page.get_by_label("Flexion, right", exact=True).check()
    page.get_by_role("button", name="Make the link").click()
    assert page.get_by_alt_text("QR code of the link").is_visible()
    look(page, "patient-link")
    return str(page.inner_text("[data-link]"))


def begin(page: Any, link: str) -> None:
    page.goto(link)
    page.locator("input[name=pain][value='2']").check(force=True)
    page.locator("[name=understood]").check()
    page.locator("[name=consent]").check()
    page.get_by_role("button", name="Start").click()
    page.wait_for_selector("#film")


def test_home_over_a_bad_line_and_a_closed_page(
    opened: Callable[..., Watched], link: str, served: Served, sample_clips: Path
) -> None:
    watched = opened(PHONE, signed_in=False, permissions=["camera"])
    page = watched.page
    page.goto(link)
    assert faults(page) == []
    look(page, "home-begin")
    begin(page, link)
    assert faults(page) == []
    look(page, "home-movement")

    pieces: list[str] = []

    def bad_line(route: Any) -> None:
        pieces.append(route.request.headers["upload-offset"])
        # the second piece breaks off; the third never ends, and the page is closed meanwhile
        if len(pieces) == 2:
            route.abort("connectionreset")
        elif len(pieces) < 3:
            route.continue_()

    page.route("**/uploads/*", lambda route: bad_line(route) if route.request.method == "PATCH" else route.continue_())
    page.locator("[data-do=camera]").click()
    page.locator("[data-do=record]").click()
    page.wait_for_selector("[data-do=stop]:visible", timeout=40_000)
    look(page, "home-filming")
    page.wait_for_timeout(14_000)
    page.locator("[data-do=stop]").click()
    for _ in range(300):
        if len(pieces) >= 3:
            break
        page.wait_for_timeout(100)
    assert len(pieces) == 3, pieces
    assert pieces[2] == pieces[1], "the piece that broke off is sent again from where the server stands"
    assert watched.others(served) == []
    page.close()

    page = Watched(page.context).page
    page.goto(link)
    page.wait_for_selector("[data-do=keep]:visible", timeout=MEASURED_WITHIN_MS)
    look(page, "home-answer")
    assert page.inner_text("[data-said]") in ("Your film is good.", "It would be better if:")
    page.locator("[data-do=keep]").click()
    page.wait_for_selector("text=Movement 2 of 2")

    page.set_input_files("#file", sample_clips / "flexion_right.mp4")
    page.wait_for_selector("[data-do=keep]:visible", timeout=MEASURED_WITHIN_MS)
    page.locator("[data-do=keep]").click()
    page.get_by_role("button", name="Finish").click()
    page.wait_for_selector("h1:has-text('Sent')")
    look(page, "home-sent")
    assert faults(page) == []
    assert "°" not in page.inner_text("main")
    with ClinicStore(served.folder) as kept:
        patient = kept.patient(CODE)
        [task] = [one for one in kept.tasks(patient) if kept.runs(one)]
        [run] = kept.runs(task)
        assert (run.finished, run.pain_at_rest) == (True, 2.0)
        states = {one.state for one in kept.uploads(run_id=run.id)}
    assert states == {"sent"}


def test_home_says_in_plain_words_what_to_film_otherwise(
    opened: Callable[..., Watched], link: str, sample_clips: Path
) -> None:
    page = opened(PHONE, signed_in=False).page
    begin(page, link)
    page.goto(f"{link}?language=de")
    assert page.locator("html").get_attribute("lang") == "de"
    # abduction was asked for, seen from the front; this patient stands sideways
    page.set_input_files("#file", sample_clips / "flexion_right.mp4")
    page.wait_for_selector("[data-do=again]:visible", timeout=MEASURED_WITHIN_MS)
    assert "Sie standen falsch herum" in page.inner_text("[data-faults]")
    look(page, "home-german")
    page.locator("[data-do=again]").click()
    page.wait_for_selector("[data-do=camera]:visible")
    page.get_by_text("Ich möchte aufhören").click()
    page.locator("#why").select_option("pain")
    page.get_by_role("button", name="Hier aufhören").click()
    assert "Sie haben aufgehört" in page.inner_text("h1")
