"""``rxmeasure info``: what is in an image file, and all versions."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from rxmeasure.cli.options import FILE, invert_option, output_options
from rxmeasure.cli.output import columns, emit, folded, numbers_for

#: Distribution -> the extra it belongs to; empty for the base.
_PARTS = {
    "numpy": "",
    "scipy": "",
    "scikit-image": "",
    "pydicom": "",
    "pillow": "",
    "tifffile": "",
    "click": "",
    "cattrs": "",
    "jsonschema": "",
    "pylibjpeg": "dicom",
    "pylibjpeg-openjpeg": "dicom",
    "pylibjpeg-rle": "dicom",
    "pyjpegls": "dicom",
    "python-gdcm": "dicom",
    "jinja2": "report",
    "typst": "report",
    "matplotlib": "report",
}


@click.command()
@click.argument("image", type=FILE, required=False)
@invert_option
@output_options
def info(image: Path | None, invert: bool, as_json: bool, decimal_comma: bool) -> None:
    """Say what is in an image file, and all versions.

    Without IMAGE only the versions are printed.
    """
    versions = _versions()
    document: dict[str, Any] = {"versions": versions}
    lines: list[str] = []
    if image is not None:
        document["image"], lines = _image_facts(image, invert, decimal_comma)
        lines.append("")
    lines.append("Versions")
    lines += columns(
        [(name, version or f"not installed{_extra(name)}") for name, version in versions.items()]
    )
    emit("info", document, lines, as_json=as_json)


def _extra(name: str) -> str:
    return f" (extra: {_PARTS[name]})" if _PARTS.get(name) else ""


def _versions() -> dict[str, str | None]:
    import platform
    from importlib import metadata

    from rxmeasure import __version__

    found: dict[str, str | None] = {"rxmeasure": __version__, "python": platform.python_version()}
    for name in _PARTS:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            found[name] = None
    return found


def _image_facts(
    image: Path, invert: bool, decimal_comma: bool
) -> tuple[dict[str, Any], list[str]]:
    from rxmeasure.reading import read_radiograph
    from rxmeasure.report.numbers import clean

    radiograph = read_radiograph(image, invert=invert)
    source, spacing = radiograph.source, radiograph.spacing
    numbers = numbers_for(decimal_comma)
    facts = {
        "source": source,
        "polarity": radiograph.polarity,
        "spacing": spacing,
        "pixel_aspect": radiograph.pixel_aspect,
        "intensity": radiograph.intensity,
        "value_range": [radiograph.value_min, radiograph.value_max],
        "warnings": radiograph.warnings,
    }
    rows = [
        ("format", f"{source.format}, {source.bits} bit{', lossy' if source.lossy else ''}"),
        ("size", f"{source.rows} rows x {source.columns} columns"),
        ("SHA-256", source.sha256),
        (
            "polarity",
            ("turned: " if radiograph.polarity.turned else "") + radiograph.polarity.reason,
        ),
        ("grey levels", _intensity(radiograph.intensity)),
        ("spacing", "none that can be believed: no millimetres without a known length"),
    ]
    if spacing is not None:
        rows[-1] = (
            "spacing",
            f"{numbers.mm_per_px(spacing.row_mm)} mm between rows, "
            f"{numbers.mm_per_px(spacing.col_mm)} mm between columns; {spacing.attribute}; "
            f"{spacing.plane} plane",
        )
    if radiograph.pixel_aspect != 1.0:
        rows.append(("row over column pitch", f"{numbers.fixed(radiograph.pixel_aspect, 4)}"))
    lines = [clean(source.file_name), *columns([(name, clean(text)) for name, text in rows])]
    for warning in radiograph.warnings:
        lines += folded(numbers.in_text(warning.text), mark="! ")
    return facts, lines


def _intensity(intensity: str) -> str:
    if intensity == "unknown":
        return "not declared: filters may have changed them, so density is relative"
    return f"declared {'linear' if intensity == 'linear' else 'logarithmic'} for processing"
