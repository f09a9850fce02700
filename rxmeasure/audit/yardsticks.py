"""Targets and figures of others that an audit is held against, each with its source."""

from __future__ import annotations

from dataclasses import dataclass

from rxmeasure.audit.clinic_log import Receptor


@dataclass(frozen=True, slots=True, kw_only=True)
class Yardstick:
    """A figure of others, with its source and whether that was read."""

    text: str
    source: str
    status: str


#: Least share of diagnostically acceptable films (source: `QUALITY`).
QUALITY_TARGETS = {Receptor.DIGITAL: 0.95, Receptor.FILM: 0.90}

#: Fewest images of each type (source: `QUALITY`).
FEWEST_IMAGES = 100

QUALITY = Yardstick(
    text="At least 95 % of digital images and 90 % of films acceptable (A), on 100 images of "
    "each type or more, every six months; the older scale of three grades is no longer used.",
    source="SDCEP, clinical image quality page; BDJ letter, doi:10.1038/s41415-023-5441-5",
    status="read",
)
RETAKES = Yardstick(
    text="37.2 % of 4786 student films were repeated.",
    source="University abstract on repeated student radiographs",
    status="read",
)
RECALL = Yardstick(
    text="16 % came to recall in one audit.",
    source="doi:10.33696/dentistry.2.010",
    status="read",
)
