"""The contact sheet: each film as it is shown, and with its contrast raised in every corner."""

from __future__ import annotations

import base64
import html
from dataclasses import dataclass
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rxmeasure.deidentify.gate import Decision
from rxmeasure.radiograph import Radiograph
from rxmeasure.report.picture import grey_for_the_eye

#: Longest side of a picture on the sheet (choice: letters of 12 px on a film of 2000 keep 6 px).
_LONGEST_SIDE_PX = 1000

#: What counts as round a pixel, and the spread (share of the range) below which contrast is not
#: raised to the full (choices: a letter's height; a quarter of an 8-bit level).
_AROUND_PX, _FLOOR = 15.0, 0.001

_HEADINGS = {
    Decision.LOOK: "Held back: look at these",
    Decision.RELEASE: "Released: look whether the files spoke the truth",
}

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>Contact sheet</title><style>
body {{ margin: 24px; background: #262930; color: #f0f1f2; font: 15px/1.5 sans-serif; }}
figure {{ margin: 0 0 28px; padding: 12px; background: #32363f; }}
figcaption {{ margin-bottom: 8px; overflow-wrap: anywhere; }}
code {{ font-size: 15px; }}
.pair {{ display: flex; gap: 12px; }}
.pair img {{ width: calc(50% - 6px); height: auto; object-fit: contain; align-self: flex-start; }}
</style></head><body>
<h1>Contact sheet</h1>
<p>This page shows patients' films: it stays with the key. Left the film as it is shown, right with
raised contrast. Look for names, numbers, dates, letters and faces, in the corners too. To release a
film, write <code>release</code> in place of <code>hold</code> before its name in
<code>look.txt</code>; to hold one back, the other way round. Then run the same command again.</p>
{sections}
</body></html>
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetEntry:
    """One film of the sheet: its new name, what became of it and why, and its pictures (PNG)."""

    name: str
    decision: Decision
    reason: str
    shown: bytes
    raised: bytes


def sheet_entry(name: str, decision: Decision, reason: str, film: Radiograph) -> SheetEntry:
    """Draw a film for the sheet."""
    # The brightest pixel of a block: thin bright letters stay.
    shown = _blocks(grey_for_the_eye(film)).max(axis=(1, 3))
    # All of the range, because the window for the eye can hide letters at its ends.
    whole = (film.pixels - film.value_min) / (film.value_max - film.value_min)
    return SheetEntry(
        name=name,
        decision=decision,
        reason=reason,
        shown=_png(shown),
        raised=_png(_raised(_blocks(whole).mean(axis=(1, 3)))),
    )


def sheet_page(entries: list[SheetEntry]) -> str:
    """The sheet as one HTML page that needs nothing from outside."""
    sections = []
    for decision, heading in _HEADINGS.items():
        figures = [_figure(entry) for entry in entries if entry.decision is decision]
        if figures:
            sections.append(f"<h2>{heading} ({len(figures)})</h2>\n" + "\n".join(figures))
    return _PAGE.format(sections="\n".join(sections) or "<p>No film.</p>")


def _figure(entry: SheetEntry) -> str:
    name, reason = html.escape(entry.name), html.escape(entry.reason)
    images = "".join(
        f'<img alt="{name}, {what}" src="data:image/png;base64,{base64.b64encode(data).decode()}">'
        for what, data in (("as shown", entry.shown), ("contrast raised", entry.raised))
    )
    caption = f"<figcaption><code>{name}</code><br>{reason}</figcaption>"
    return f'<figure>{caption}<div class="pair">{images}</div></figure>'


def _raised(grey: NDArray[Any]) -> NDArray[np.uint8]:
    """Each pixel against the mean and spread of what lies round it, however little that is."""
    from scipy.ndimage import gaussian_filter

    mean = gaussian_filter(grey, _AROUND_PX)
    spread = np.sqrt(gaussian_filter((grey - mean) ** 2, _AROUND_PX)) + _FLOOR
    return np.clip(128.0 + 50.0 * (grey - mean) / spread, 0, 255).astype(np.uint8)


def _blocks(grey: NDArray[Any]) -> NDArray[Any]:
    """Square blocks of pixels, as many as the sheet has pixels: axes 1 and 3 lie within a block."""
    step = -(-max(grey.shape) // _LONGEST_SIDE_PX)
    rows, columns = (size // step for size in grey.shape)
    return grey[: rows * step, : columns * step].reshape(rows, step, columns, step)


def _png(grey: NDArray[np.uint8]) -> bytes:
    from PIL import Image

    stream = BytesIO()
    Image.fromarray(grey).save(stream, "PNG")
    return stream.getvalue()
