"""Preferences: what the manifest offers is what is read, and damage never stops the work."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from napari.settings import _clear_plugin_settings_cache, get_plugin_settings
from npe2 import PluginManifest
from rxmeasure_napari.preferences import Preferences, on_change, read_preferences

from rxmeasure.marks import FilmKind
from rxmeasure.report.options import DecimalMark, ReportOptions, ToothNotation

CHANGES = [
    ("writing", "reader", "reader-3", Preferences(reader="reader-3")),
    ("writing", "tooth_notation", "Palmer", Preferences(tooth_notation=ToothNotation.PALMER)),
    ("writing", "decimal_mark", "comma", Preferences(decimal_mark=DecimalMark.COMMA)),
    ("review", "film_kind", "recall", Preferences(film_kind=FilmKind.RECALL)),
    ("review", "file_length_mm", 21.0, Preferences(file_length_mm=21.0)),
    ("review", "live_tracing", False, Preferences(live_tracing=False)),
    ("review", "report_on_keep", True, Preferences(report_on_keep=True)),
    ("window", "show_layer_lists", True, Preferences(show_layer_lists=True)),
]


@pytest.fixture
def manifest() -> PluginManifest:
    return PluginManifest.from_distribution("rxmeasure")


@pytest.fixture
def settings(plugin_settings: None, npe2pm: Any, manifest: PluginManifest) -> Any:
    npe2pm.register(manifest)
    return get_plugin_settings("rxmeasure")


@pytest.mark.usefixtures("settings")
def test_a_fresh_installation_has_the_defaults() -> None:
    assert read_preferences() == Preferences()


@pytest.mark.parametrize(("group", "name", "value", "expected"), CHANGES, ids=lambda v: str(v)[:20])
def test_each_is_read_and_kept(
    settings: Any, group: str, name: str, value: object, expected: Preferences
) -> None:
    setattr(getattr(settings, group), name, value)
    assert read_preferences() == expected
    _clear_plugin_settings_cache()
    assert get_plugin_settings("rxmeasure") is not settings
    assert read_preferences() == expected


def test_every_preference_of_the_manifest_is_tried_above(manifest: PluginManifest) -> None:
    offered = {
        (group, name)
        for group, configuration in manifest.contributions.configurations.items()
        for name in configuration.properties
    }
    assert offered == {(group, name) for group, name, _, _ in CHANGES}


@pytest.mark.parametrize(
    ("group", "name", "kind"),
    [("writing", "tooth_notation", ToothNotation), ("review", "film_kind", FilmKind)],
)
def test_the_choices_are_those_of_the_core(
    manifest: PluginManifest, group: str, name: str, kind: Any
) -> None:
    offered = manifest.contributions.configurations[group].properties[name].enum
    assert offered == [member.value for member in kind]


@pytest.mark.parametrize(
    ("group", "name", "value"),
    [
        ("review", "file_length_mm", -1.0),
        ("review", "file_length_mm", 60.1),
        ("review", "film_kind", "bitewing"),
        ("writing", "decimal_mark", ";"),
        ("writing", "tooth_notation", "own"),
        ("writing", "reader", "x" * 61),
    ],
)
def test_bounds_are_held(settings: Any, group: str, name: str, value: object) -> None:
    with pytest.raises(ValueError, match=name):
        setattr(getattr(settings, group), name, value)
    assert read_preferences() == Preferences()


def test_the_report_follows_the_preferences(settings: Any) -> None:
    settings.writing.decimal_mark = "comma"
    settings.writing.tooth_notation = "Universal"
    assert read_preferences().report_options() == ReportOptions(
        decimal_mark=DecimalMark.COMMA, tooth_notation=ToothNotation.UNIVERSAL
    )


def test_a_change_is_told_once_until_it_is_no_longer_asked_for(settings: Any) -> None:
    told: list[Preferences] = []
    end = on_change(told.append)
    settings.writing.reader = "reader-3"
    settings.writing.reader = "reader-3"
    assert told == [Preferences(reader="reader-3")]
    settings.review.live_tracing = False
    assert told[1:] == [Preferences(reader="reader-3", live_tracing=False)]
    end()
    settings.writing.reader = "reader-4"
    assert len(told) == 2


@pytest.mark.usefixtures("plugin_settings", "npe2pm")
def test_without_the_plugin_in_napari_there_are_the_defaults() -> None:
    assert read_preferences() == Preferences()
    end = on_change(lambda preferences: pytest.fail("nothing can change"))
    end()


@pytest.mark.parametrize(
    "damage",
    [
        b"",
        b"just words",
        b"- a\n- list\n",
        b"review: [1, 2]\n",
        b"review: 5\nwriting: {reader: reader-3}\n",
        b"review:\n  film_kind: bitewing\n  file_length_mm: long\n",
        b"writing: {reader: {a: b}}\n",
        b"\xff\xfe\x00damaged",
        b"writing: {unclosed",
    ],
)
def test_a_damaged_settings_file_gives_defaults(
    plugin_settings: None, npe2pm: Any, manifest: PluginManifest, tmp_path: Path, damage: bytes
) -> None:
    (tmp_path / "rxmeasure.yaml").write_bytes(damage)
    npe2pm.register(manifest)
    found = read_preferences()
    expected = "reader-3" if b"reader-3" in damage else ""
    assert found == Preferences(reader=expected)
    on_change(lambda preferences: None)()


def test_a_folder_in_place_of_the_settings_file_gives_defaults(
    plugin_settings: None, npe2pm: Any, manifest: PluginManifest, tmp_path: Path
) -> None:
    (tmp_path / "rxmeasure.yaml").mkdir()
    npe2pm.register(manifest)
    assert read_preferences() == Preferences()
