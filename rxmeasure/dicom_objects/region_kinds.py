"""Meaning and category (PS3.16, CID 7150) of each kind of patch."""

from __future__ import annotations

from pydicom.sr.codedict import codes

_ABNORMAL = codes.SCT.MorphologicallyAbnormalStructure

REGION_KINDS = {
    "void": ("Void in a root-canal filling", _ABNORMAL),
    "puff": ("Sealer beyond the root canal", codes.SCT.PhysicalObject),
    "lesion": ("Periapical lesion", _ABNORMAL),
}
