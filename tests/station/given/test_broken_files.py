"""Broken files of every kind: exit status 2 and one sentence with place, value and remedy; nothing half-started.

A bay's file is put before both ``serve`` and ``doctor``; devices, record and page are never reached.
"""

import codecs
import tomllib
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from station import __main__
from station.bay import fitness
from station.common import faults
from station.errors import InputError
from station.given.config import config_from_tables, demo_path
from station.record.ledger import Ledger, now
from station.shop import catalogue, offered
from tests.station.given.broken_bays import BAY, CAPACITY, DEEP, HUGE, HUMIDITY, SLOPE, WIRING, K

DATA = Path(__file__).parents[2] / "data"
JOB, CSV = DATA / "bus7_axle.toml", DATA / "bus7_axle.csv"
SCENARIO = demo_path().with_name("demo_axle.toml")

REPLAYED: dict[str, tuple[str, str, str, str]] = {
    "unknown table": ("[air]", "[weather]\nwind = 3\n[air]", "unknown table 'weather'", "take it out"),
    "unknown job key": ("[job]", "[job]\nhurry = true", "[job] has the unknown key 'hurry'", "take it out"),
    "no fluid": ("[fluid.fresh]", "[fluid.frosh]", "[fluid] has the unknown table 'frosh'", "write fresh"),
    "capacity without unit": ('"2.9 L"', '"5"', "[job] capacity is '5'", "add the unit, such as 5 L"),
    "capacity negative": ('"2.9 L"', '"-2.9 L"', "[job] capacity", "outside 0 to 10000 L"),
    "capacity nan": ('"2.9 L"', "nan", "[job] capacity is nan", "text in quotes"),
    "tolerance": ('tolerance_minus = "0.10 L"', "tolerance_minus = 0.1", "[job] tolerance_minus is 0.1", "text in quotes"),
    "temperature": ('"20 degC"', '"20"', "[job] reference_temperature is '20'", "20 degC"),
    "reference too hot": ('"20 degC"', '"390 degC"', "[job] reference_temperature", "outside the range"),
    "retained more": ("[job]", '[job]\nretained = "3 L"', "[job] retained is '3 L'", "less than the capacity"),
    "labels": ("[job]", "[job]\nlabels = {vehicle = 3}", "[job.labels] vehicle is 3", "text in quotes"),
    "answer": ("[air]", '[[answers]]\nstep = "s1"\nsays = "rag"\n[air]', "[answers] entry 1 says is 'rag'", "'fluid', 'object'"),
    "hose": ("[air]", "[run]\nhose_l = 0.3\n[air]", "unknown table 'run'", "take it out"),
    "pan negative": (SLOPE, "kg_per_count = -4.761e-6", "[pan] kg_per_count is -4.761e-06", "above zero"),
    "slope in grams": (SLOPE, "kg_per_count = 4.761e-3", "[pan] kg_per_count is 0.004761", "kilograms per count"),
    "meter per mL": (K, "k_factor_per_l = 0.4025", "[meter] k_factor_per_l is 0.4025", "not per mL"),
    "humidity": (HUMIDITY, "45", "[air] relative_humidity is 45", "0.45 for 45 %"),
    "deep": ("[air]", f"[air]\nx = {DEEP}", "nested too deep", "take them out"),
    "deep tables": ("[air]", f"[air{'.a' * 3000}]\nx = 1\n[air]", "nested too deep", "take them out"),
}  # fmt: skip

PLAYED: dict[str, tuple[str, str, str, str]] = {
    "plant unknown": ("\n[plant]", "\n[plant]\nfish = 3", "[plant] has the unknown key 'fish'", "expected only"),
    "plant cold": ("supply_c = 17.0", 'supply_c = "cold"', "[plant] supply_c is 'cold'", "write °C"),
    "plant infinite": ("supply_c = 17.0", "supply_c = inf", "[plant] supply_c is inf", "from −40 to 140"),
    "technician": ("kicks_s = [95.0]", "kicks_s = 95.0", "[technician] kicks_s is 95.0", "a list of numbers"),
    "kick in words": ("kicks_s = [95.0]", 'kicks_s = ["soon"]', "[technician.kicks_s] entry 1 is 'soon'", "write seconds"),
    "mishap kind": ("\n[plant]", '\n[[mishap]]\nkind = "quake"\nafter = "drip"\nat_s = 1\n[plant]', "[mishap] entry 1 kind is 'quake'", "'kick'"),
    "mishap when": ("\n[plant]", '\n[[mishap]]\nkind = "kick"\nafter = "drip"\n[plant]', "[mishap] entry 1 at_s is missing", "write seconds"),
    "mishap is a table": ("\n[plant]", '\n[mishap]\nkind = "kick"\n[plant]', "[mishap] is a table", "a list of tables"),
    "walls": ("\n[plant]", "\n[plant]\nwalls_m = [[1.0]]", "[plant.walls_m]", ""),
    "coolant": ('kind = "lubricant"\ndensity_15_kg_m3 = 871.0\ndensity_origin = "data sheet"\nkv40_mm2_s = 115.0\nkv100_mm2_s = 15.2', 'kind = "water"', "[fluid.fresh] kind is 'water'", "only a lubricant can be simulated"),
    "empty axle": ("old_volume_l = 2.84", "old_volume_l = 0.01", "[plant] old_volume_l is 0.01", "more than its films"),
}  # fmt: skip

ROWS: dict[str, tuple[str, str]] = {
    "time 1e308": ("0,pan,5\n1e308,pan,6", "line 3: t_s is '1e308'"),
    "time -1e308": ("-1e308,pan,5", "line 2: t_s is '-1e308'"),
    "time infinite": ("inf,pan,5", "line 2: t_s is 'inf'"),
    "time backwards": ("100,pan,5\n50,pan,6", "line 3: t_s is '50', after 100 s above it"),
    "count of 10^400": (f"0,meter,{HUGE}", "line 2: meter is 1000"),
    "pan of 10^400": (f"0,pan,{HUGE}", "line 2: pan is 1000"),
    "count of 5000 digits": (f"0,meter,{'9' * 5000}", "line 2: meter is '9999"),
    "count nan": ("0,meter,nan", "line 2: meter is 'nan'"),
    "warm 1e308": ("0,air_c,1e308", "line 2: air_c is '1e308'"),
    "four fields": ("0,pan,5,6", "line 2 has 4 fields"),
    "long field": ("0,pan," + "5" * 200_000, "line 2: field larger"),
    "no header": ("", "line 1 is '0,pan,5'"),
}


BUS = "Bus 7,gearbox,"
COMPARTMENT = "vehicle,compartment,capacity,method"
ENTERED: dict[str, tuple[str, str, str, str]] = {
    # name: (the table, its file, the place told, the remedy told)
    "capacity without unit": ("compartment", f"{COMPARTMENT}\n{BUS}5,suction", "row 2: capacity is '5'", "add the unit, such as 5 L"),
    "capacity, bare comma": ("compartment", f"{COMPARTMENT}\n{BUS}2,9 L,suction", "row 2: 5 cells where the header has 4", "Put the cell in quotes"),
    "capacity negative": ("compartment", f"{COMPARTMENT}\n{BUS}-2.9 L,suction", "row 2: capacity: volume is '-2.9 L'", "outside 0 to 10000 L"),
    "capacity zero": ("compartment", f"{COMPARTMENT}\n{BUS}0 L,suction", "row 2: capacity is '0 L'", "expected 0.05 to 200 L"),
    "capacity absurd": ("compartment", f"{COMPARTMENT}\n{BUS}2900 L,suction", "row 2: capacity is '2900 L'", "check number and unit"),
    "capacity nan": ("compartment", f"{COMPARTMENT}\n{BUS}nan L,suction", "row 2: capacity is 'nan L'", "begin with the number"),
    "capacity in buckets": ("compartment", f"{COMPARTMENT}\n{BUS}3 buckets,suction", "row 2: capacity: volume is '3 buckets'", "expected L, mL"),
    "capacity empty": ("compartment", f"{COMPARTMENT}\n{BUS},suction", "row 2: capacity is missing", "such as 2.9 L"),
    "method missing": ("compartment", f"{COMPARTMENT}\n{BUS}3 L,", "row 2: method is missing", "write one of: cover removed"),
    "method": ("compartment", f"{COMPARTMENT}\n{BUS}3 L,siphon", "row 2: method is 'siphon'", "expected one of: cover removed"),
    "vehicle of nobody": ("compartment", f"{COMPARTMENT}\nBus 99,gearbox,3 L,suction", "row 2: vehicle is 'Bus 99'", "enter it first"),
    "other spelling": ("compartment", f"{COMPARTMENT}\nBus 12,Rear  Axle,3 L,suction", "row 2: Bus 12 / Rear Axle", "spell it that way"),
    "cell missing": ("compartment", f"{COMPARTMENT}\n{BUS}3 L", "row 2: 3 cells", "the header has 4"),
    "months in words": ("compartment", f"{COMPARTMENT},interval_months\n{BUS}3 L,suction,two", "row 2: interval_months is 'two'", "expected a number from 1 to 240: write months"),
    "months nan": ("compartment", f"{COMPARTMENT},interval_months\n{BUS}3 L,suction,nan", "row 2: interval_months is nan", "write months"),
    "months too many": ("compartment", f"{COMPARTMENT},interval_months\n{BUS}3 L,suction,1e3", "row 2: interval_months is '1e3'", "from 1 to 240"),
    "break-in perhaps": ("compartment", f"{COMPARTMENT},break_in\n{BUS}3 L,suction,perhaps", "row 2: break_in is 'perhaps'", "one of: 'yes', 'no'"),
    "torque bare": ("compartment", f"{COMPARTMENT},torque\n{BUS}3 L,suction,42", "row 2: torque is '42'", "add the unit"),
    "distance bare": ("vehicle", "vehicle,distance\nBus 8,76000", "row 2: distance is '76000'", "such as 76000 mi"),
    "distance infinite": ("vehicle", "vehicle,distance\nBus 8,inf km", "row 2: distance is 'inf km'", "such as 76000 mi"),
    "note of a page": ("vehicle", f"vehicle,note\nBus 8,{'x' * 300}", "row 2: note is 'xxx", "at most 200 characters"),
    "vehicle twice": ("vehicle", "vehicle\nBus 8\nbus  8", "row 3: bus  8", "stands in row 2 already"),
    "fluid kind": ("fluid", "fluid,name,grade,kind\nx,X,X,syrup", "row 2: kind is 'syrup'", "'lubricant', 'linear', 'water'"),
    "fluid light": ("fluid", "fluid,name,grade,kind,density_15_kg_m3\nx,X,X,lubricant,0.871", "row 2: the entry: lubricant density", "data sheet"),
    "fluid infinite": ("fluid", "fluid,name,grade,kind,density_15_kg_m3\nx,X,X,lubricant,inf", "row 2: density_15_kg_m3 is inf", "expected a number"),
    "fluid without density": ("fluid", "fluid,name,grade,kind\nx,X,X,lubricant", "row 2: the entry: fluid key 'density_15_kg_m3' is missing", "Add it"),
    "fluid origin": ("fluid", "fluid,name,grade,kind,density_origin\nx,X,X,water,hearsay", "row 2: density_origin is 'hearsay'", "'data sheet'"),
    "container of nothing": ("container", "container,fluid,size\nDrum 1,gear_75w90,0 L", "row 2: size is '0 L'", "check number and unit"),
    "container of soup": ("container", "container,fluid,size\nDrum 1,soup,60 L", "row 2: fluid is 'soup'", "enter it first"),
    "price negative": ("price", "fluid,since,amount,per,currency\ngear_75w90,2026-03-01,-1,1 L,EUR", "row 2: amount is '-1'", "write the price, such as 9.50"),
    "price nan": ("price", "fluid,since,amount,per,currency\ngear_75w90,2026-03-01,nan,1 L,EUR", "row 2: amount is nan", "expected a number"),
    "price for nothing": ("price", "fluid,since,amount,per,currency\ngear_75w90,2026-03-01,9,0 L,EUR", "row 2: per is '0 L'", "check number and unit"),
    "price of no day": ("price", "fluid,since,amount,per,currency\ngear_75w90,3/1/2026,9,1 L,EUR", "row 2: since is '3/1/2026'", "write the day, such as 2026-03-01"),
    "technician unnamed": ("technician", "technician,note\n,left", "row 2: technician is empty", "needs one"),
    "column missing": ("compartment", "vehicle,compartment,capacity", "row 1 lacks the column 'method'", "needed: vehicle"),
    "column unknown": ("compartment", f"{COMPARTMENT},colour", "row 1 has the unknown column 'colour'", "possible: "),
    "column twice": ("compartment", f"{COMPARTMENT},method", "row 1 names a column twice", "needed: vehicle"),
    "point or thousands": ("vehicle", "vehicle;distance\nBus 1;60.000,5 km\nBus 2;60.000 km", "row 3: column B (distance): '60.000 km' could be thousands", "without the point"),
    "nothing": ("compartment", "", "row 1 lacks the column 'vehicle'", "needed: vehicle"),
    "zeros": ("vehicle", "vehicle\n\0", "the file is no text", "Save it as CSV UTF-8"),
}  # fmt: skip


def changed(text: str, old: str, new: str) -> str:
    assert old in text, old
    return text.replace(old, new, 1)


def one_sentence(said: str, *parts: str) -> None:
    assert "Traceback" not in said
    assert len(said.strip().splitlines()) == 1, said
    assert said.rstrip().endswith(".")
    for part in parts:
        assert part in said


@pytest.fixture
def nothing_opens(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever would open a device, the record or a page fails the test."""

    def open_engine(*_: object) -> None:
        pytest.fail("devices and record were opened")

    monkeypatch.setattr(__main__, "_open_engine", open_engine)


def bay_text() -> str:
    return demo_path().read_text(encoding="utf-8").replace("var/demo-ledger.sqlite", "LEDGER")


@pytest.mark.usefixtures("nothing_opens")
@pytest.mark.parametrize("command", ["serve", "doctor"])
@pytest.mark.parametrize("name", BAY)
def test_a_broken_bay_file_is_refused(
    name: str,
    command: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    old, new, place, remedy = BAY[name]
    text = changed(bay_text(), old, new).replace("LEDGER", str(tmp_path / "ledger.sqlite"))
    file = tmp_path / "bay.toml"
    file.write_text(text, encoding="utf-8")
    if name == "ledger in memory":
        (tmp_path / "mounts").write_text("disk / ext4 rw 0 0\ntmpfs /dev/shm tmpfs rw 0 0\n")
        monkeypatch.setattr(fitness, "MOUNTS", tmp_path / "mounts")
    status = __main__.main([command, "--config", str(file)])
    out, err = capsys.readouterr()
    if command == "serve":
        assert status == 2
        assert out == ""
        one_sentence(err, "bay.toml", place, remedy)
    else:
        failed = [line for line in out.splitlines() if line.startswith("FAIL")]
        one_sentence(failed[0], "bay.toml", place, remedy)
        assert status == (1 if name.startswith("ledger ") and "FAIL  record's place" in out else 2)
    assert {one.name for one in tmp_path.iterdir()} <= {"bay.toml", "mounts"}


SHORT_SIGHTED = {
    # what a person who writes a first file gets wrong at once: (what the demo's file says, what stands there, what is told of it)
    "slope": (SLOPE, "kg_per_count = -4.7e-6", "[pan] kg_per_count is -4.7e-06; expected"),
    "K": (K, "k_factor_per_l = 0.4025", "[meter] k_factor_per_l is 0.4025; expected"),
    "humidity": (HUMIDITY, "45", "[air] relative_humidity is 45; expected"),
    "key": ("cure_s = 1200", "cure_min = 20", "[run] has the unknown key 'cure_min'; expected only"),
    "pin": ("pump = 22", "pump = 17", "[pins] pin 17 is given to both"),
    "hose": ('hose_holds = "gear_75w90"', 'hose_holds = "soup"', "[bay] hose_holds is 'soup'; expected one of"),
    "capacity": (CAPACITY, 'capacity = "5"', "[compartment.b12_rear_axle] capacity is '5'; "),
    "comma": ('"1.9 US quart"', '"1,9 US quart"', "[compartment.b12_transfer] capacity is '1,9 US quart'; "),
    "sensors": ("[thermometers] ", '[thermometers]\nair_c = "/sys/x"\nfluid_supply_c = "/sys/x/"\n#', "that sensor is fluid_supply_c already"),
    "format": ("[air]", '[serial.container]\nport = "/dev/x"\nformat = "odd"\n[air]', "[serial.container] format is 'odd'; expected one of"),
    "host": ("[air]", '[serve]\nhost = "0.0.0.0"\n[air]', "[serve] host is '0.0.0.0'; other machines are only served under TLS"),
}  # fmt: skip


def faults_of(*, names: Iterable[str], more: str = "") -> list[str]:
    text = bay_text()
    for name in names:
        text = changed(text, *SHORT_SIGHTED[name][:2])
    with pytest.raises(InputError) as caught:
        config_from_tables(tomllib.loads(text + more), "bay.toml")
    return str(caught.value).splitlines()


def test_everything_that_is_wrong_is_told_at_once() -> None:
    head, *rows = faults_of(names=SHORT_SIGHTED)
    assert head == f"bay.toml: {len(SHORT_SIGHTED)} things are wrong:"
    assert len(rows) == len(SHORT_SIGHTED)
    for _old, _new, told in SHORT_SIGHTED.values():
        assert sum(told in row for row in rows) == 1, told
    assert all(row.startswith("  [") and row.endswith(".") for row in rows)


def test_what_follows_from_another_fault_is_not_told() -> None:
    """A pin that is given twice says all there is to say of the pins; a container of an unknown kind is on no wire."""
    rest = '[serial.pan_b]\nport = "/dev/y"\nformat = "odd"\n[pan_b]\nzero_count = 0\nkg_per_count = 1e-4\nu_rel = 0.1\n'
    _head, *rows = faults_of(names=["pin"], more=rest)
    assert [row.split()[0] for row in rows] == ["[serial.pan_b]", "[pan_b]", "[pan_b]", "[pins]"], rows
    assert not any("has no wire" in row for row in rows)


def test_a_message_ends_somewhere() -> None:
    wrong = "".join(f'[compartment.c{n}]\nvehicle = "Bus {n}"\n' for n in range(40))
    _head, *rows = faults_of(names=["K"], more=wrong)
    assert len(rows) == faults.MOST + 1
    assert rows[-1].strip() == f"And {4 * 40 + 1 - faults.MOST} more."


def replayed(job: Path, recording: Path) -> int:
    return __main__.main(["replay", str(job), str(recording), "--json"])


@pytest.mark.parametrize("name", REPLAYED)
def test_a_broken_job_is_refused(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old, new, place, remedy = REPLAYED[name]
    job = tmp_path / "JOB.toml"
    job.write_text(changed(JOB.read_text(encoding="utf-8"), old, new), encoding="utf-8")
    assert replayed(job, CSV) == 2
    out, err = capsys.readouterr()
    assert out == ""
    one_sentence(err, "JOB.toml", place, remedy)


@pytest.mark.parametrize("name", PLAYED)
def test_a_broken_scenario_is_refused(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    old, new, place, remedy = PLAYED[name]
    file = tmp_path / "scenario.toml"
    file.write_text(changed(SCENARIO.read_text(encoding="utf-8"), old, new), encoding="utf-8")
    assert __main__.main(["rehearse", "--scenario", str(file)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    one_sentence(err, "scenario.toml", place, remedy)


@pytest.mark.parametrize("name", ROWS)
def test_a_broken_recording_is_refused(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows, said = ROWS[name]
    file = tmp_path / "rows.csv"
    file.write_text(f"t_s,source,value\n{rows}\n" if rows else "0,pan,5\n", encoding="utf-8")
    assert replayed(JOB, file) == 2
    out, err = capsys.readouterr()
    assert out == ""
    one_sentence(err, "rows.csv", said)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A record whose catalogue is the demo's."""
    config = config_from_tables(tomllib.loads(bay_text().replace("country", "# country")), "bay.toml")
    path = tmp_path_factory.mktemp("shop") / "ledger.sqlite"
    ledger = Ledger(path)
    ledger.append(None, catalogue.EVENT, catalogue.body(offered.from_config(config), "test"), now())
    ledger.close()
    return path


@pytest.mark.parametrize("name", ENTERED)
def test_a_broken_row_of_the_catalogue_is_refused(
    name: str, shop: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, text, place, remedy = ENTERED[name]
    file = tmp_path / "rows.csv"
    file.write_text(text + "\n", encoding="utf-8")
    before = shop.read_bytes()
    assert __main__.main(["catalogue", table, "--ledger", str(shop), "--import", str(file), "--apply"]) == 2
    one_sentence(capsys.readouterr().err, "rows.csv", place, remedy)
    assert shop.read_bytes() == before


ENCODED: dict[str, Callable[[str], bytes]] = {
    "utf-16": lambda text: text.encode("utf-16"),
    "latin-1": lambda text: f"# °\n{text}".encode("latin-1"),
    "zeros": lambda text: b"\0" * 400,
    "cut utf-8": lambda text: text.encode() + b"\xc3",
    "compressed": lambda text: codecs.encode(text.encode(), "zlib_codec"),
}


@pytest.mark.usefixtures("nothing_opens")
@pytest.mark.parametrize("name", ENCODED)
@pytest.mark.parametrize("kind", ["bay", "job", "scenario", "recording"])
def test_a_file_in_another_encoding_is_refused(
    name: str, kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = {"bay": demo_path(), "job": JOB, "scenario": SCENARIO, "recording": CSV}[kind]
    file = tmp_path / "wrong.file"
    file.write_bytes(ENCODED[name](source.read_text(encoding="utf-8")))
    commands = {
        "bay": ["serve", "--config", str(file)],
        "job": ["replay", str(file), str(CSV)],
        "scenario": ["rehearse", "--scenario", str(file)],
        "recording": ["replay", str(JOB), str(file)],
    }
    assert __main__.main(commands[kind]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    one_sentence(err, "wrong.file")


class Opened(Exception):
    pass


def test_a_sound_bay_file_is_not_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What the table above changes is what it is refused for."""

    def open_engine(*_: object) -> None:
        raise Opened

    monkeypatch.setattr(__main__, "_open_engine", open_engine)
    (tmp_path / "mounts").write_text("disk / ext4 rw 0 0\n")
    monkeypatch.setattr(fitness, "MOUNTS", tmp_path / "mounts")
    file = tmp_path / "bay.toml"
    file.write_text(bay_text().replace("LEDGER", str(tmp_path / "l.sqlite")), encoding="utf-8")
    with pytest.raises(Opened):
        __main__.main(["serve", "--config", str(file)])


def test_the_tables_hold_sixty_files_and_more() -> None:
    assert len(BAY) + len(REPLAYED) + len(PLAYED) + len(ROWS) > 100
    assert len(BAY) - len(WIRING) >= 60
    assert len(WIRING) >= 40
