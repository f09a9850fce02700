"""How soon does the window stand, and how soon does it answer a click?

    python tests/benchmarks/window.py [--starts 7] [--rounds 12] [--seed 9000] [--cache FOLDER]

On a display of its own (Xvfb, OpenGL in software), 1280 x 720.

Start-up: a fresh process each time, bare and with the dock in turn. Bare is a napari viewer that
shows one film read by Pillow; with the dock is what ``rxmeasure open FILM`` makes. The clock runs
from the start of the process to the frame in which the window is first seen, and to the frame in
which the film is. Medians, and the difference to bare. What napari's search for plugins imports of
this project is counted in one more process.

Clicks: on a random phantom of 1200 x 900 pixels, each round traces the same canal with three
clicks, each 0.2 mm off per axis, as one canal more, and takes it out again. The second and the
third click are timed: from the press to the frame that shows the line and its length, and to the
frame that shows all measures. Compared with the least that any such answer costs: core's own
tracing (`preview_trace`) of the same clicks in the same process plus one frame of the idle window.
A ratio of 1 would be a window that costs nothing.

Times mean little on a machine that does other work, so its load is printed; the ratios mean more.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from display import clean_desktop, own_display  # noqa: E402

CLICK_SD_MM = 0.2
AIM_START_S = 0.3
AIM_CLICK_MS = 100.0
#: Frames of the idle window that are timed.
FRAMES = 40
#: Packages that the search for plugins must not import for our sake.
HEAVY = ("numpy", "scipy", "skimage", "pydicom", "napari", "qtpy", "PySide6", "pyqtgraph", "vispy")


@contextmanager
def surroundings() -> Iterator[Path]:
    """A display and settings of one's own; the folder is for files."""
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="rxmeasure-speed-")))
        stack.enter_context(clean_desktop(folder))
        stack.enter_context(own_display())
        yield folder


def phantom(seed: int, cache: Path) -> tuple[Path, Any, Any]:
    """The first portrait film from this seed on that holds a plain filled canal."""
    from rxmeasure.phantom import cached_phantom
    from rxmeasure.reading import read_radiograph

    while True:
        image, truth = cached_phantom(seed, cache)
        plain = [c for c in truth.canals if c.content == "filled" and not c.flags]
        if plain and read_radiograph(image).shape == (1200, 900):
            return Path(image), truth, plain[0]
        seed += 1


# --- frames ---------------------------------------------------------------------------------


def canvas_of(window: Any) -> Any:
    """The widget that napari paints on."""
    from qtpy.QtWidgets import QWidget

    found = window.findChildren(QWidget)
    return next(w for w in found if type(w).__name__ == "CanvasBackendDesktop")


class Frames:
    """When the last frame of the canvas was shown (s, `time.time`)."""

    def __init__(self, canvas: Any) -> None:
        self.canvas = canvas
        self.last = 0.0
        canvas.frameSwapped.connect(self._note)

    def _note(self) -> None:
        self.last = time.time()

    def next_after(self, moment: float) -> float:
        """Let the window work until a frame is shown later than ``moment``."""
        from qtpy.QtWidgets import QApplication

        while self.last <= moment:
            QApplication.processEvents()
        return self.last

    def idle_ms(self) -> float:
        """Median cost of a frame in which nothing has changed."""
        took = []
        for _ in range(FRAMES):
            before = time.time()
            self.canvas.update()
            took.append(1000.0 * (self.next_after(before) - before))
        return statistics.median(took)


# --- start-up -------------------------------------------------------------------------------


def start_bare(film: Path) -> tuple[float, float]:
    """Moments of the first frame of a bare viewer, and of the first one with the film."""
    import napari
    from PIL import Image

    viewer = napari.Viewer()
    window = viewer.window._qt_window
    window.resize(1280, 720)
    frames = Frames(canvas_of(window))
    seen = frames.next_after(time.time())
    with Image.open(film) as picture:
        viewer.add_image(np.asarray(picture))
    return seen, frames.next_after(time.time())


def start_with_dock(film: Path) -> tuple[float, float]:
    """The same with the dock, as the command opens it."""
    from qtpy.QtWidgets import QApplication
    from rxmeasure_napari.launch import ready_window

    _, dock = ready_window([film])
    frames = Frames(canvas_of(dock.window()))
    seen = frames.next_after(time.time())
    state = dock.desk.state
    while state.film is None or state.film.id not in dock.desk.layers:
        QApplication.processEvents()
    return seen, frames.next_after(time.time())


def discovered() -> list[str]:
    """Modules that napari's search for plugins brings in after npe2 itself is there."""
    import npe2

    before = set(sys.modules)
    npe2.PluginManager.instance().discover()
    assert "rxmeasure" in {m.name for m in npe2.PluginManager.instance().iter_manifests()}
    return sorted(set(sys.modules) - before)


def in_child(job: str, film: Path) -> Any:
    """What a fresh process answers, and when it was started."""
    began = time.time()
    command = [sys.executable, __file__, "--child", job, "--film", str(film)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    return began, json.loads(done.stdout.splitlines()[-1])


def child(job: str, film: Path) -> None:
    """One measurement in this process."""
    if job == "discover":
        print(json.dumps(discovered()))
        return
    moments = start_bare(film) if job == "bare" else start_with_dock(film)
    print(json.dumps(moments), flush=True)
    os._exit(0)  # Closing is not timed.


def startup(film: Path, starts: int) -> None:
    """Print how long the window takes to stand."""
    took: dict[str, list[tuple[float, float]]] = {"bare": [], "dock": []}
    for turn in range(starts + 1):
        for job, times in took.items():
            began, moments = in_child(job, film)
            if turn:  # The first of each fills the disk's cache.
                times.append((moments[0] - began, moments[1] - began))
    print(f"Start-up, median of {starts}, load {os.getloadavg()[0]:.1f}")
    for place, what in ((0, "window is seen"), (1, "film is seen")):
        bare, dock = (statistics.median(t[place] for t in took[job]) for job in ("bare", "dock"))
        print(
            f"  {what}: bare {bare:.2f} s, with the dock {dock:.2f} s; "
            f"{dock / bare:.2f} times, {dock - bare:+.2f} s (aim {AIM_START_S:+.1f} s)"
        )
    _, modules = in_child("discover", film)
    heavy = [m for m in modules if m.split(".")[0] in HEAVY]
    ours = [m for m in modules if m.startswith("rxmeasure")]
    print(
        f"  search for plugins: imports of ours {ours or 'none'}, heavy {heavy or 'none'} "
        f"({len(modules)} modules in all)"
    )


# --- clicks ---------------------------------------------------------------------------------


class Drawn:
    """When the lines of a film were last drawn anew (s); drawing is not yet a frame."""

    def __init__(self, layers: Any) -> None:
        self.preview_shown: Any = None
        self.review_shown: Any = None
        self.moment = 0.0
        draw: Callable[..., None] = layers.draw

        def noted(*args: Any) -> None:
            draw(*args)
            self.moment = time.time()
            self.preview_shown, self.review_shown = layers.film.preview, layers.film.review

        layers.draw = noted


def is_new(shown: Any, before: Any) -> bool:
    """Whether something is shown that was not there before."""
    return shown is not None and shown is not before


def timed_click(hand: Any, frames: Frames, drawn: Drawn, at: Any) -> tuple[float, float]:
    """Milliseconds from a click to the line, and to all measures, both on the screen."""
    film = hand.state.film
    old_preview, old_review = film.preview, film.review
    began = time.time()
    hand.click(at)
    hand.wait(lambda: is_new(drawn.preview_shown, old_preview))
    first = frames.next_after(drawn.moment)
    hand.wait(lambda: film.is_current and is_new(drawn.review_shown, old_review))
    return 1000.0 * (first - began), 1000.0 * (frames.next_after(drawn.moment) - began)


def clicks(seed: int, rounds: int, cache: Path, folder: Path) -> None:
    """Print how soon the window answers a click."""
    from hand import Hand
    from qtpy.QtCore import Qt

    from rxmeasure.marks import LengthReference
    from rxmeasure.phantom import noisy_clicks
    from rxmeasure.tracing.preview import preview_trace

    image, truth, canal = phantom(seed, cache)
    # Its drafts are written beside a film.
    hand = Hand([Path(shutil.copy(image, folder))])
    film = hand.state.film
    # A scale, so that millimetres are measured and drawn too.
    ruler = LengthReference(
        kind="line",
        points_px=((20.0, 20.0), (20.0, 420.0)),
        length_mm=400.0 * truth.mm_per_px,
    )
    hand.state.try_edit("scale", lambda m: replace(m, references=(ruler,)))
    hand.settle()
    frames, drawn = Frames(hand.canvas), Drawn(hand.desk.layers[film.id])
    first, whole, core = [], [], []
    for number in range(rounds + 1):
        points = noisy_clicks(
            canal, np.random.default_rng([seed, number]), sd_mm=CLICK_SD_MM, count=3
        )
        hand.press("rx_step_canals")
        if number:
            hand.press("rx_new_canal")
        hand.click(points[0])
        for k in (1, 2):
            hand.settle(0.2)
            answer = timed_click(hand, frames, drawn, points[k])
            here = film.marks.canals[-1].clicks_px
            before = time.perf_counter()
            preview_trace(
                film.radiograph, film.calibration, here, film.marks.film_kind, film.marks.settings
            )
            if number:  # The first round warms up.
                core.append(1000.0 * (time.perf_counter() - before))
                first.append(answer[0])
                whole.append(answer[1])
        hand.on_picture(Qt.Key.Key_Return)
        hand.settle(0.1)
        hand.press("rx_step_canals")
        if number < rounds:
            hand.press("rx_remove_canal")
            hand.settle(0.1)
    idle = frames.idle_ms()
    least = statistics.median(core) + idle
    print(f"Clicks, median of {len(first)}, load {os.getloadavg()[0]:.1f}")
    print(f"  an idle frame {idle:.0f} ms; core's tracing alone {statistics.median(core):.0f} ms")
    for what, times, aim in (
        ("line and length on the screen", first, f" (aim {AIM_CLICK_MS:.0f} ms)"),
        ("all measures on the screen", whole, ""),
    ):
        middle, late = statistics.median(times), float(np.percentile(times, 90))
        print(
            f"  {what}: {middle:.0f} ms, one in ten later than {late:.0f} ms; "
            f"{middle / least:.1f} times tracing and a frame{aim}"
        )
    hand.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--starts", type=int, default=7)
    parser.add_argument("--rounds", type=int, default=12)
    parser.add_argument("--seed", type=int, default=9000)
    parser.add_argument("--cache", type=Path, default=Path(tempfile.gettempdir()) / "rx-phantoms")
    parser.add_argument("--child", help=argparse.SUPPRESS)
    parser.add_argument("--film", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child:
        child(asked.child, asked.film)
        return
    asked.cache.mkdir(parents=True, exist_ok=True)
    with surroundings() as folder:
        film, _, _ = phantom(asked.seed, asked.cache)
        if asked.starts:
            startup(film, asked.starts)
        if asked.rounds:
            clicks(asked.seed, asked.rounds, asked.cache, folder)


if __name__ == "__main__":
    main()
