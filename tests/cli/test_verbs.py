"""Every verb on sample films and typed numbers: one JSON document, or plain text."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rxmeasure import __version__

CALIBRATED = "adequate_premolar.png"
SPACED = "short_incisor.dcm"
NO_SCALE = "curved_molar.tif"


def clicks_of(film: Path) -> list[str]:
    import tomllib

    marks = tomllib.loads(film.with_suffix(".marks.toml").read_text(encoding="utf-8"))
    return [w for r, c in marks["canals"][0]["clicks_px"] for w in ("--click", f"{r},{c}")]


@pytest.mark.parametrize(
    ("arguments", "keys"),
    [
        (["info"], {"versions"}),
        (["rules", "list"], {"rule_sets", "defaults"}),
        (["rules", "show", "zero_two"], {"rule_set"}),
        (["tooth", "46"], {"tooth", "usual_canals", "mean_lengths", "plausible_range_mm"}),
        (["fit", "diameters", "--size", "25", "--taper", "0.06"], {"diameters"}),
        (
            ["fit", "canal", "--size", "25", "--taper", "0.06", "--working-length", "20"],
            {"canal", "diameters"},
        ),
        (["working-length", "locator", "--film", "20.5", "--reading", "22"], {"comparison"}),
    ],
)
def test_json_without_an_image(run, arguments: list[str], keys: set[str]) -> None:
    result = run(*arguments, "--json")
    assert result.code == 0
    assert result.stderr == ""
    assert keys <= result.document.keys()
    assert (
        result.document["verb"]
        == " ".join(a for a in arguments[:2] if a.isalpha() or "-" in a)[
            : len(result.document["verb"])
        ]
    )
    assert result.document["software_version"] == __version__


@pytest.mark.parametrize("verb", ["info", "calibrate", "trace", "measure", "judge"])
def test_json_with_an_image(run, sample_images: Path, verb: str) -> None:
    result = run(verb, sample_images / CALIBRATED, "--json")
    assert result.code == 0, result.stderr
    assert result.stderr == ""
    assert result.document["verb"] == verb


def test_info_says_what_is_in_the_file(run, sample_images: Path) -> None:
    facts = run("info", sample_images / SPACED, "--json").document["image"]
    assert facts["source"]["format"].startswith("DICOM")
    assert "(0018,1164)" in facts["spacing"]["attribute"]
    text = run("info", sample_images / SPACED).stdout
    assert facts["source"]["sha256"] in text
    assert f"{facts['source']['rows']} rows" in text


def test_invert_turns_the_grey_levels(run, sample_images: Path) -> None:
    as_saved = run("info", sample_images / CALIBRATED, "--json").document["image"]["polarity"]
    turned = run("info", sample_images / CALIBRATED, "--invert", "--json").document["image"]
    assert turned["polarity"]["turned"] is not as_saved["turned"]
    assert "switch" in turned["polarity"]["reason"]


def test_options_and_annotation_file_say_the_same(run, sample_images: Path) -> None:
    """Clicks and a known length typed as options give the scale and trace of the marks file."""
    import tomllib

    film = sample_images / CALIBRATED
    marks = tomllib.loads(film.with_suffix(".marks.toml").read_text(encoding="utf-8"))
    reference = marks["references"][0]
    options = [*clicks_of(film), "--file-length", str(reference["length_mm"])]
    for r, c in reference["points_px"]:
        options += ["--file-click", f"{r},{c}"]
    typed = run("trace", film, *options, "--kind", marks["film_kind"], "--json").document
    read = run("trace", film, "--json").document
    assert typed["calibration"]["col_mm"] == read["calibration"]["col_mm"]
    assert typed["canals"][0]["points_px"] == read["canals"][0]["points_px"]
    assert typed["canals"][0]["length"] == read["canals"][0]["length"]


def test_trace_ends_at_the_feet_of_the_clicks(run, sample_images: Path) -> None:
    film = sample_images / CALIBRATED
    canal = run("trace", film, "--json").document["canals"][0]
    arguments = clicks_of(film)
    first = [float(v) for v in arguments[1].split(",")]
    last = [float(v) for v in arguments[-1].split(",")]
    for point, click in ((canal["points_px"][0], first), (canal["points_px"][-1], last)):
        distance = ((point[0] - click[0]) ** 2 + (point[1] - click[1]) ** 2) ** 0.5
        # A click has 0.2 mm standard deviation (choice, Settings.click_sd_mm): 3 of these.
        mm_per_px = canal["length"]["value_mm"] / canal["length"]["value_px"]
        assert distance * mm_per_px < 0.6
    assert canal["s_px"][-1] == pytest.approx(canal["length"]["value_px"])


def test_scale_from_one_click_on_a_file(run, sample_images: Path) -> None:
    film = sample_images / CALIBRATED
    truth = json.loads(film.with_suffix(".truth.json").read_text(encoding="utf-8"))
    file = truth["files"][0]
    row, col = file["axis_px"][len(file["axis_px"]) // 2]
    click = ["--file-length", file["length_mm"], "--file-at", f"{row + 4},{col - 6}"]
    found = run("calibrate", film, *click, "--json").document
    assert found["calibration"]["col_mm"] == pytest.approx(truth["mm_per_px"], rel=0.008)
    reference = found["calibration"]["references"][0]["reference"]
    assert reference["points_px"] == found["found_file"]["path_px"]
    assert reference["ends_u_px"] == [found["found_file"][f"u_{end}_px"] for end in ("stop", "tip")]


def test_what_speaks_against_a_found_end_is_told_with_the_scale(run, sample_images: Path) -> None:
    # Behind the stop of this film lies a crown, whose outline may pass for its edge.
    film = sample_images / "voids_canine.png"
    truth = json.loads((sample_images / "voids_canine.truth.json").read_text(encoding="utf-8"))
    file = truth["files"][0]
    row, col = file["axis_px"][len(file["axis_px"]) // 2]
    click = ["--file-length", file["length_mm"], "--file-at", f"{row},{col}"]
    found = run("calibrate", film, *click, "--json").document
    reasons = found["found_file"]["reasons"]
    assert "stop-unsure" in {reason["code"] for reason in reasons}
    assert all(reason in found["calibration"]["warnings"] for reason in reasons)


def test_one_click_beside_any_file_is_refused(run, sample_images: Path) -> None:
    film = sample_images / CALIBRATED
    nowhere = run("calibrate", film, "--file-length", "18.5", "--file-at", "30,30", "--json")
    assert (nowhere.code, nowhere.stdout) == (4, "")
    assert "stop" in nowhere.error["needed"]
    for wrong in (
        ["--file-at", "30,30"],
        ["--file-length", "18.5", "--file-at", "30,30", "--file-click", "9,9"],
    ):
        assert run("calibrate", film, *wrong).code == 2


def test_scale_options_on_top_of_a_file_with_spacing(run, sample_images: Path) -> None:
    film = sample_images / SPACED
    own = run("calibrate", film, "--json").document["calibration"]
    assert "(0018,1164)" in own["source"]
    line = ["--line-length", "10", "--line-click", "100,100", "--line-click", "300,100"]
    by_line = run("calibrate", film, *line, "--length-u", "0.05", "--json").document["calibration"]
    # 10 mm over 200 rows; calc.
    assert by_line["row_mm"] == pytest.approx(0.05)
    assert by_line["references"][0]["reference"]["length_u_mm"] == 0.05
    refused = run("calibrate", film, "--no-detector-spacing", "--json")
    assert refused.code == 4
    assert refused.stdout == ""


def test_uncalibrated_film_gives_no_millimetres(run, sample_images: Path) -> None:
    result = run("measure", sample_images / NO_SCALE, "--json")
    assert result.code == 0
    assert result.document["calibration"] is None
    for canal in result.document["canals"]:
        assert canal["canal_length"]["value_mm"] is None
        assert canal["canal_length"]["value_px"] > 0
        assert [m for m in canal["measures"] if m["unit"] in ("mm", "mm2") and m["value"]] == []
        named = {m["name"]: m["value"] for m in canal["measures"]}
        assert 0.0 < named["fill_length_ratio"] < 1.2
    assert "No scale: ratios and pixels only." in run("measure", sample_images / NO_SCALE).stdout


def test_judge_values_typed_in(run) -> None:
    """Guard band check values: 1.8 +- 0.3 -> P(> 2.0) = 0.252; 2.3 -> 0.841 (calc)."""
    for value, over in (("1.8+-0.3", 0.252), ("2.3±0.3", 0.841)):
        result = run(
            "judge", "--rule", "zero_two", "--value", f"fill_to_apex_core_mm={value}", "--json"
        )
        length = result.document["verdicts"][0]
        assert length["field"] == "length"
        assert length["outcome"] == "borderline"
        assert 1.0 - length["probability_met"] == pytest.approx(over, abs=5e-4)
    text = run("judge", "--rule", "zero_two", "--value", "fill_to_apex_core_mm=2.01+-0.001").stdout
    assert "✗ not met: underfilled" in text
    assert "2.01 ± " in text


def test_judge_needs_an_image_or_values(run, sample_images: Path) -> None:
    assert run("judge").code == 2
    assert run("judge", "--value", "void_free=yes").code == 2
    wrong = ("nonsense=1", "void_free=maybe", "fill_to_apex_core_mm=x", "fill_to_apex_core_mm")
    for value in wrong:
        assert run("judge", "--rule", "zero_two", "--value", value).code == 2, value
    assert run("judge", sample_images / CALIBRATED, "--value", "void_free=yes").code == 2


def test_decimal_comma_in_text_only(run, sample_images: Path) -> None:
    film = sample_images / CALIBRATED
    point = run("calibrate", film).stdout
    comma = run("calibrate", film, "--decimal-comma").stdout
    assert point != comma
    assert comma == point.replace(".", ",")
    assert run("calibrate", film, "--json", "--decimal-comma").document["calibration"]["col_mm"] < 1


# -- tooth, fit, working length: values of the reference tables ----------------


@pytest.mark.parametrize(
    ("arguments", "fdi"),
    [
        (["16"], "16"),
        (["3", "--notation", "universal"], "16"),  # 16 = 3 (read)
        (["30", "--notation", "universal"], "46"),  # 46 = 30 (read)
        (["UR6", "--notation", "palmer"], "16"),
        (["6⏌", "--notation", "palmer"], "16"),
    ],
)
def test_tooth_in_three_notations(run, arguments: list[str], fdi: str) -> None:
    assert run("tooth", *arguments, "--json").document["tooth"]["fdi"] == fdi


def test_tooth_length_is_held_against_the_table(run) -> None:
    assert run("tooth", "11", "--length", "23", "--json").document["warning"] is None
    assert "not believable" in run("tooth", "11", "--length", "40").stdout
    assert run("tooth", "99", "--json").error["exit_code"] == 5


def test_fit_check_values(run) -> None:
    """Nominal diameters and trimming, calc from D = D0 + taper x (ISO 3630-1, from memory)."""
    band = run("fit", "diameters", "--size", "25", "--taper", "0.06", "--json").document
    by_place = {b["x_mm"]: b["nominal_mm"] for b in band["diameters"]}
    assert by_place[8] == pytest.approx(0.73)
    assert by_place[16] == pytest.approx(1.21)
    point = ["--point-size", "25", "--point-taper", "0.06"]
    trimmed = run("fit", "trim", *point, "--cut", "1.5", "--json").document["trimmed"]
    assert trimmed["tip_mm"] == pytest.approx(0.34)
    where = run("fit", "trim", *point, "--to-size", "40", "--json").document["cut"]
    assert where["cut_mm"] == pytest.approx(2.5)
    assert run("fit", "trim", *point).code == 2


def test_fit_seating_and_backfill(run) -> None:
    canal = ["--size", "30", "--taper", "0.04", "--working-length", "20", "--orifice", "12"]
    # The tip of a size 35 point meets the canal's diameter 0.35 at (0.35 - 0.30) / 0.04 mm; calc.
    seat = run("fit", "seat", "--point-size", "35", "--point-taper", "0.04", *canal, "--json")
    assert seat.document["seat"]["to_working_length_mm"] == pytest.approx(1.25)
    carrier = run("fit", "carrier", "--tip", "0.5", "--carrier-taper", "0", *canal, "--json")
    # A parallel tip of 0.50 binds where 0.30 + 0.04 x = 0.50; calc.
    assert carrier.document["fit"]["seat"]["to_working_length_mm"] == pytest.approx(5.0)
    assert carrier.document["fit"]["aim"] == "binds inside the aim"
    plan = run("fit", "backfill", *canal, "--plug", "5", "--json").document["plan"]
    assert plan["backfill_mm"] == pytest.approx(7.0)
    assert plan["increments"] == [3, 4]
    share = run("fit", "sealer", "--point-size", "30", "--point-taper", "0.04", *canal, "--json")
    assert share.document["sealer_share"]["share"] == pytest.approx(0.0, abs=1e-9)
    for verb, more in (
        ("seat", ["--point-size", "35", "--point-taper", "0.04"]),
        ("carrier", ["--tip", "0.5", "--carrier-taper", "0"]),
        ("backfill", []),
        ("sealer", ["--point-size", "30", "--point-taper", "0.02"]),
        ("canal", []),
    ):
        assert "mm" in run("fit", verb, *more, *canal).stdout


def test_working_length_check_values(run) -> None:
    """Ratio, correction and projection figures, calc (ratio: Grossman, teaching decks)."""
    ratio = ["--file-length", "20", "--file-image", "1040", "--tooth-image", "1092"]
    found = run("working-length", "ratio", *ratio, "--click-sd", "2", "--json").document
    assert found["tooth_length"]["value_mm"] == pytest.approx(21.0)
    assert found["tooth_length"]["u_mm"] == pytest.approx(0.0789, abs=5e-5)
    assert found["trial_working_length"]["value_mm"] == pytest.approx(20.0)
    correct = run("working-length", "correct", "--file-length", "22", "--gap", "-1", "--json")
    assert correct.document["working_length"]["value_mm"] == pytest.approx(20.0)
    in_px = ["--file-length", "20", "--gap-px", "78", "--file-image", "1040"]
    gap = run("working-length", "correct", *in_px, "--json").document["gap"]
    assert gap["value_mm"] == pytest.approx(1.5)
    bone = ["--file-length", "20", "--gap", "0", "--apical-bone", "bone resorption"]
    weine = run("working-length", "correct", *bone, "--json").document
    assert weine["working_length"]["value_mm"] == pytest.approx(18.5)
    far = run("working-length", "correct", "--file-length", "20", "--gap", "3.5").stdout
    assert "take another film" in " ".join(far.split())
    shown = run(
        "working-length", "projection", "--source-receptor", "400", "--object-receptor", "20",
        "--focal-spot", "0.7", "--length", "22", "--tilt", "20", "--half-angle", "20",
        "--beam-error", "10", "--json",
    ).document  # fmt: skip
    assert shown["magnification"] == pytest.approx(1.0526, abs=5e-5)
    assert shown["unsharpness_mm"] == pytest.approx(0.0368, abs=5e-5)
    assert shown["image_length_mm"] == pytest.approx(20.67, abs=5e-3)
    assert shown["image_over_true"] == pytest.approx(1.1372, abs=5e-5)
    assert run("working-length", "projection").code == 2


def test_rules_show_sources_and_check_an_own_file(run, tmp_path: Path) -> None:
    from importlib import resources

    assert "doi:10.1007/s00784-011-0671-3" in run("rules", "show", "zero_two").stdout
    published = resources.files("rxmeasure.criteria") / "published" / "zero_three.toml"
    own = tmp_path / "own.toml"
    text = published.read_text(encoding="utf-8").replace('id = "zero_three"', 'id = "clinic_three"')
    own.write_text(text, encoding="utf-8")
    assert run("rules", "check", own, "--json").document["rule_set"]["id"] == "clinic_three"
    own.write_text(text + "\nnonsense = 1\n", encoding="utf-8")
    wrong = run("rules", "check", own, "--json")
    assert wrong.code == 6
    assert "line" in wrong.error["found"]
    unknown = run("rules", "show", "no_such_rule", "--json")
    assert unknown.code == 6


def test_phantom_is_repeatable_and_has_its_truth(run, tmp_path: Path) -> None:
    small = ["--seed", "5", "--rows", "600", "--columns", "450", "--pixel", "0.06"]
    one = run("phantom", "--out", tmp_path / "a", *small, "--json")
    assert one.code == 0, one.stderr
    written = [Path(p) for p in one.document["films"][0]["written"]]
    run("phantom", "--out", tmp_path / "b", *small)
    assert [p.suffix for p in written] == [".png", ".json"]
    for path in written:
        assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
    truth = json.loads(written[1].read_text(encoding="utf-8"))
    assert truth["rows"] == 600
    assert run("phantom", "--out", tmp_path, "--tooth-kind", "tusk", "--json").code == 1
