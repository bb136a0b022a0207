"""A recording that no simulator made, checked by hand; and what a broken one says."""

import json
import math
import re
from pathlib import Path
from typing import Any

import pytest

from hardware.sample import Sample
from station.__main__ import main
from station.core.replay import replay
from station.figures import balance
from station.given import recording
from station.given.job import read_job, spec_from_tables
from station.given.report import DRAIN_CUT_SHORT
from station.given.sources import name

DATA = Path(__file__).parents[2] / "data"
JOB, CSV = DATA / "bus7_axle.toml", DATA / "bus7_axle.csv"


def by_hand_density(density_15: float, temperature_c: float) -> float:
    """API Standard 2540 (1980), table 54D: another constant and base than the station's 2004 procedure."""
    a = 0.6278 / density_15 * (temperature_c - 15.0)
    return density_15 * math.exp(-a * (1 + 0.8 * a))


def by_hand_air(temperature_c: float, pressure_hpa: float, humidity_percent: float) -> float:
    """OIML R 111-1:2004, E.3, from memory: the simple formula, good to 2e-4; the station uses CIPM-2007."""
    return (0.34848 * pressure_hpa - 0.009 * humidity_percent * math.exp(0.061 * temperature_c)) / (
        273.15 + temperature_c
    )


def report(job: Path = JOB, csv: Path = CSV) -> dict[str, Any]:
    return balance.report(replay(read_job(job), recording.read(csv))).to_dict()


def test_hand_written_recording_gives_the_figures_computed_by_hand() -> None:
    got = report()
    air = by_hand_air(18, 1008, 45)
    drained_kg = (609313 - 84213) * 4.761e-6
    drained_kg *= (1 - air / 8000) / (1 - air / by_hand_density(885, 45))
    assert got["drained_l"] == pytest.approx(drained_kg / by_hand_density(885, 20) * 1000, rel=1e-5)

    expands = by_hand_density(871, 17) / by_hand_density(871, 20)
    assert got["metered_l"] == pytest.approx(1155 / 402.5 * expands, rel=1e-5)

    over_kg = (612463 - 609313) * 4.761e-6 * (1 - air / 8000) / (1 - air / by_hand_density(871, 17))
    assert got["overflow_l"] == pytest.approx(over_kg / by_hand_density(871, 20) * 1000, rel=1e-4)
    assert got["filled_l"] == pytest.approx(got["metered_l"] - got["overflow_l"], abs=1e-12)
    assert got["verdict"] == "full"
    assert got["level_seen"] is True
    assert got["stage"] == "closed"
    assert [n["kind"] for n in got["notices"]] == []


def test_what_runs_over_after_the_plug_was_in_once_counts_where_the_fill_goes_on(tmp_path: Path) -> None:
    rows = CSV.read_text().splitlines(keepends=True)
    at = rows.index("184,pan,609313\n")
    again = tmp_path / "again.csv"
    again.write_text(
        "".join([*rows[: at + 1], "185,mark,plug_in\n", "186,mark,fill_start\n", *rows[at + 1 :]])
    )
    whole, found = report(), report(csv=again)
    assert found["metered_l"] == pytest.approx(whole["metered_l"], rel=1e-6)
    assert found["overflow_l"] == pytest.approx(whole["overflow_l"], rel=1e-6)


def test_a_level_seen_before_the_fluid_went_in_is_no_witness(tmp_path: Path) -> None:
    """Found by an attack: ticked before the pump ran, it bore out a meter that counted what never reached the axle."""
    rows = [row for row in CSV.read_text().splitlines(keepends=True) if row != "212,mark,level_seen\n"]
    found = {}
    for at_s in (152, 197):
        at = next(k for k, row in enumerate(rows) if row[0].isdigit() and float(row.split(",")[0]) > at_s)
        path = tmp_path / f"{at_s}.csv"
        path.write_text("".join([*rows[:at], f"{at_s},mark,level_seen\n", *rows[at:]]))
        found[at_s] = report(csv=path)
    early, late = found[152], found[197]
    assert (early["level_seen"], late["level_seen"]) == (False, True)
    assert ["level" in [one["name"] for one in each["witnesses"]] for each in (early, late)] == [False, True]


def test_uncertainty_is_at_least_what_the_job_states() -> None:
    got = report()
    # Slope 0.05 % and a density whose origin nobody gave, 0.55 %, in quadrature are the floor of drained; 0.15 % that of
    # metered.
    assert got["drained_u95_l"] > 1.96 * math.hypot(0.0005, 0.0055) * got["drained_l"]
    assert got["metered_u95_l"] > 1.96 * 0.0015 * got["metered_l"]
    assert got["drained_u95_l"] < 0.0125 * got["drained_l"]


def test_zero_of_the_pan_does_not_matter_when_the_pan_was_read_before_the_drain() -> None:
    spec = read_job(JOB)
    tables = spec.to_table()
    tables["pan"]["zero_count"] = 4000.0
    moved = spec_from_tables(tables, "moved")
    samples = recording.read(CSV)
    assert balance.report(replay(moved, samples)).to_dict()["drained_l"] == pytest.approx(
        report()["drained_l"], rel=1e-12
    )


def test_writing_and_reading_a_recording_changes_nothing() -> None:
    samples = recording.read(CSV)
    assert list(recording.parse(recording.write(samples).splitlines(True), "again")) == samples


def test_job_toml_round_trips_exactly(tmp_path: Path) -> None:
    spec = read_job(JOB)
    copy = tmp_path / "JOB.toml"
    copy.write_text(spec.to_toml(), encoding="utf-8")
    assert read_job(copy) == spec


def test_replay_command_prints_the_contracts_keys(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(JOB), str(CSV), "--json"]) == 0
    got = json.loads(capsys.readouterr().out)
    for key in (
        "drained_l drained_u95_l metered_l overflow_l filled_l filled_u95_l listed_capacity_l expected_fill_l "
        "reference_temperature_c verdict p_short p_within p_over notices"
    ).split():
        assert key in got
    assert "truth" not in got


def notices(samples: list[Sample]) -> list[str]:
    return [n.kind for n in replay(read_job(JOB), samples).telling.notices]


def test_a_gap_in_the_pan_is_named_and_the_figure_stands() -> None:
    samples = [s for s in recording.read(CSV) if not (s.source == "pan" and 48 <= s.t_s <= 92)]
    state = replay(read_job(JOB), samples)
    kinds = [n.kind for n in state.telling.notices]
    assert "gap" in kinds
    assert balance.report(state).to_dict()["drained_l"] == pytest.approx(report()["drained_l"], rel=1e-9)


def test_time_going_backwards_is_named_and_the_row_left_out() -> None:
    samples = recording.read(CSV)
    at = next(i for i, s in enumerate(samples) if s.t_s >= 104)
    samples.insert(at, Sample(50.0, "pan", 5_000_000))
    state = replay(read_job(JOB), samples)
    assert "time_backwards" in [n.kind for n in state.telling.notices]
    assert balance.report(state).to_dict()["drained_l"] == report()["drained_l"]


@pytest.mark.parametrize("source", ["pan", "meter", "fluid_drained_c", "fluid_supply_c"])
def test_a_missing_source_is_named(source: str) -> None:
    state = replay(read_job(JOB), [s for s in recording.read(CSV) if s.source != source])
    assert any(n.kind == "missing_source" and n.text.startswith(name(source)) for n in state.telling.notices)


def test_what_did_not_come_is_told_as_a_person_would_tell_it() -> None:
    samples = recording.read(CSV)
    unfilled = replay(read_job(JOB), [s for s in samples if s.source != "mark" or s.value != "fill_start"])
    told = [n.text for n in unfilled.telling.notices if n.kind == "missing_mark"]
    assert told == ["The fill was never started; no fill was measured."]
    done = next(n for n, s in enumerate(samples) if s.value == "drain_done")
    dripping = replay(read_job(JOB), samples[:done])
    assert (balance.report(dripping).drained_l or 0.0) > 0.0
    assert DRAIN_CUT_SHORT in [n.kind for n in dripping.telling.notices]
    assert DRAIN_CUT_SHORT not in [n.kind for n in unfilled.telling.notices]
    deaf = replay(read_job(JOB), [s for s in samples if s.source != "pan" or not 40.0 < s.t_s < 60.0])
    assert any(re.match(r"Pan: no reading for 2\d\.\d s\. ", n.text) for n in deaf.telling.notices)


def test_without_a_meter_no_volume_is_filled_and_the_level_speaks_alone() -> None:
    heard = [s for s in recording.read(CSV) if s.source != "meter"]
    got = balance.report(replay(read_job(JOB), heard)).to_dict()
    assert got["filled_l"] is None
    assert got["verdict_text"] == (
        "fluid ran over the lip, and nothing else speaks of the volume: "
        "lay a spirit level on the housing, along and across, and tick it"
    )
    at = next(n for n, s in enumerate(heard) if s.value == "level_seen")
    levelled = [*heard[:at], heard[at]._replace(value="stands_level"), *heard[at:]]
    assert (
        balance.report(replay(read_job(JOB), levelled)).to_dict()["verdict_text"]
        == "full: lip and level agree"
    )
    unseen = [s for s in recording.read(CSV) if s.source not in ("meter", "pan") and s.value != "level_seen"]
    assert balance.report(replay(read_job(JOB), unseen)).to_dict()["verdict"] == "undecided"


@pytest.mark.parametrize("count", [8388607, -8388608])
def test_a_saturated_converter_is_named_and_its_readings_left_out(count: int) -> None:
    samples = recording.read(CSV)
    samples = [s._replace(value=count) if s.source == "pan" and 52 <= s.t_s <= 60 else s for s in samples]
    state = replay(read_job(JOB), samples)
    assert "saturated" in [n.kind for n in state.telling.notices]
    assert balance.report(state).to_dict()["drained_l"] == pytest.approx(report()["drained_l"], rel=1e-9)


def test_a_supply_that_was_never_read_widens_the_uncertainty() -> None:
    cold = replay(read_job(JOB), [s for s in recording.read(CSV) if s.source != "fluid_supply_c"])
    assert balance.report(cold).to_dict()["metered_u95_l"] > 3 * report()["metered_u95_l"]


BAD_ROWS = {
    "metter": ("10,metter,5", "line 2: source 'metter' is not one of"),
    "fields": ("10,pan", "line 2 has 2 fields"),
    "time": ("soon,pan,5", "line 2: t_s is 'soon'"),
    "nan time": ("nan,pan,5", "line 2: t_s is 'nan'"),
    "count": ("10,pan,5.5", "line 2: pan is '5.5'"),
    "25 bits": ("10,pan,16777216", "line 2: pan is 16777216"),
    "pump": ("10,pump,2", "line 2: pump is 2"),
    "temperature": ("10,air_c,inf", "line 2: air_c is 'inf'"),
    "mark": ("10,mark,lunch", "line 2: mark 'lunch'"),
    "negative": ("10,meter,-1", "line 2: meter is -1"),
}


@pytest.mark.parametrize("name", BAD_ROWS)
def test_a_malformed_row_is_one_clear_line_and_status_2(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row, expected = BAD_ROWS[name]
    path = tmp_path / "bad.csv"
    path.write_text(f"t_s,source,value\n{row}\n", encoding="utf-8")
    assert main(["replay", str(JOB), str(path)]) == 2
    error = capsys.readouterr().err
    assert expected in error
    assert "bad.csv" in error
    assert len(error.strip().splitlines()) == 1


BAD_JOBS = {
    "no capacity": ('capacity = "2.9 L"\n', "", "[job] capacity is missing"),
    "no unit": ('"2.9 L"', '"2.9"', "[job] capacity"),
    "bare pint": ('"2.9 L"', '"6 pt"', "[job] capacity"),
    "number": ('"2.9 L"', "2.9", "[job] capacity is 2.9"),
    "zero": ('"2.9 L"', '"0 L"', "above zero"),
    "method": ('"cover removed"', '"upside down"', "[job] method is 'upside down'"),
    "temperature": ('"20 degC"', '"warm"', "[job] reference_temperature"),
    "fluid kind": ('kind = "lubricant"\ndensity_15_kg_m3 = 871.0', 'kind = "magic"', "[fluid.fresh]"),
    "density": ("density_15_kg_m3 = 885.0", "density_15_kg_m3 = 88.5", "[fluid.drained]"),
    "pan": ("kg_per_count = 4.761e-6\n", "", "[pan] kg_per_count is missing"),
    "flat pan": ("kg_per_count = 4.761e-6", "kg_per_count = 0", "[pan] kg_per_count is 0"),
    "meter": ("k_factor_per_l = 402.5", 'k_factor_per_l = "many"', "[meter] k_factor_per_l is 'many'"),
    "negative u": ("u_rel = 0.0015", "u_rel = -1", "[meter] u_rel is -1"),
    "unknown key": ("noise_counts = 25", "noise_counts = 25\nnoise = 3", "[pan] has the unknown key 'noise'"),
    "syntax": ("[pan]", "[pan", "not valid TOML"),
    "pressure": ("pressure_hpa = 1008", "pressure_hpa = 100800", "[air] pressure_hpa"),
}


@pytest.mark.parametrize("name", BAD_JOBS)
def test_a_malformed_job_is_one_clear_line_and_status_2(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    old, new, expected = BAD_JOBS[name]
    text = JOB.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "JOB.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    assert main(["replay", str(path), str(CSV)]) == 2
    error = capsys.readouterr().err
    assert expected in error
    assert "JOB.toml" in error
    assert "Traceback" not in error


@pytest.mark.parametrize(("job", "csv"), [("missing.toml", CSV), (JOB, "missing.csv")])
def test_a_missing_file_is_named(job: object, csv: object, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", str(job), str(csv)]) == 2
    assert "no such file" in capsys.readouterr().err


def test_wrong_use_is_status_2() -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["replay"])
    assert stopped.value.code == 2


def test_a_first_count_after_the_fill_began_is_where_counting_starts_and_never_a_fill() -> None:
    samples = recording.read(CSV)
    began_s = next(s.t_s for s in samples if s.value == "fill_start")
    spec = read_job(JOB)
    # The meter's line was dead until the pump ran; the counter had 50,000 pulses of other jobs on it.
    late = [
        s._replace(value=int(s.value) + 50_000) if s.source == "meter" else s
        for s in samples
        if not (s.source == "meter" and s.t_s <= began_s + 2.0)
    ]
    first = next(int(s.value) for s in late if s.source == "meter")
    last = [int(s.value) for s in late if s.source == "meter"][-1]
    state = replay(spec, late)
    assert state.meter.pulses == last - first
    told = [n for n in state.telling.notices if n.kind == "meter_starts_late"]
    assert len(told) == 1
    assert str(first) in told[0].text
    assert "meter_starts_late" not in [n.kind for n in replay(spec, samples).telling.notices]
