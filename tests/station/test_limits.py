"""Every number of judgement in a room's ``Limits`` is felt: changed tenfold, either way, it moves a figure kept here.

The figures were printed once by the probes of ``tests.station.felt`` (``python -m tests.station.test_limits``) and are held
to six digits; a new number that no probe feels, or of the core none reads, is named. They say nothing about whether a
number is right; they say that nobody can change one by a slip and see every test pass.
"""

from functools import cache

import pytest

from station.core.limits import LIMITS as CORE
from station.filling.limits import LIMITS as FILLING
from station.given.limits import LIMITS as GIVEN
from station.weighing.limits import LIMITS as WEIGHING
from tests.station.felt import GROUPS
from tests.station.felt_pump import Probes
from tests.station.figures.test_constants import leaves, scaled

ROOMS: dict[str, object] = {"weighing": WEIGHING, "filling": FILLING, "given": GIVEN, "core": CORE}


def numbers() -> list[tuple[str, str]]:
    """Room and name of every number of judgement."""
    return [(room, name) for room, limits in ROOMS.items() for name in vars(limits)]


def probes() -> Probes:
    """All probes, each once."""
    for group in GROUPS:
        yield from group()


@cache
def played() -> tuple[dict[str, float], dict[tuple[str, str], set[str]]]:
    """What all probes say, and room and number → the probes that read it."""
    told: dict[str, float] = {}
    read: dict[tuple[str, str], set[str]] = {key: set() for key in numbers()}
    seen: set[tuple[str, str]] = set()
    kinds = {room: type(limits) for room, limits in ROOMS.items()}
    try:
        for room, limits in ROOMS.items():
            object.__setattr__(limits, "__class__", _spy(room, kinds[room], seen))
        for name, probe in probes():
            assert name not in told, f"two probes are called {name}"
            told[name] = probe()
            for key in seen & read.keys():
                read[key].add(name)
            seen.clear()  # here, so that what leads up to a probe counts as its own
    finally:
        for room, limits in ROOMS.items():
            object.__setattr__(limits, "__class__", kinds[room])
    return told, read


def _spy(room: str, kind: type, seen: set[tuple[str, str]]) -> type:
    """A kind of Limits that remembers what was read of it."""

    def get(self: object, name: str) -> object:
        seen.add((room, name))
        return object.__getattribute__(self, name)

    return type("Spy", (kind,), {"__getattribute__": get})


def feels(room: str, name: str) -> bool:
    """Whether a probe that reads the number says something else than what was kept."""
    asked = played()[1][room, name]
    try:
        return any(
            probe() != pytest.approx(KEPT[called], rel=1e-6, abs=1e-9)
            for called, probe in probes()
            if called in asked
        )
    except (ArithmeticError, LookupError, ValueError):
        return True


def test_the_figures_are_those_that_were_kept() -> None:
    assert played()[0] == pytest.approx(KEPT, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(("room", "name"), [key for key in numbers() if key[0] != "core"])
def test_a_number_changed_tenfold_is_felt(room: str, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    played()
    limits, value = vars(ROOMS[room]), vars(ROOMS[room])[name]
    for path in leaves(value):
        for by in (10.0, 0.1):
            with monkeypatch.context() as patch:
                patch.setitem(limits, name, scaled(value, path, by))
                assert feels(room, name), f"station.{room}.limits: {name} {path} times {by} moves nothing"


def test_every_number_of_the_core_is_read_by_a_probe() -> None:
    """To feel each of them tenfold takes a minute; what reads it is held to six digits all the same."""
    unread = {name for (room, name), names in played()[1].items() if room == "core" and not names}
    assert unread == {
        "top_up_l",
        "stray_over_s",
        "take_back_kg",
    }  # of buttons at the bay, and of what the page shows


KEPT: dict[str, float] = {
    "stuck by chance": 690.847804,
    "stuck by time": 183,
    "by hand": 86,
    "by hand, slower": 60,
    "a kick": 251.334208,
    "half": 251.334208,
    "a kick of a quiet one": 209.369387,
    "bit 11 0": 251.334208,
    "bit 11 60": 251.334208,
    "bit 12 0": 371.334208,
    "bit 12 60": 371.334208,
    "bit 14 0": 371.334208,
    "bit 14 60": 371.334208,
    "bit 20 0": 371.334208,
    "bit 20 60": 371.334208,
    "bit after a hole": 251.334208,
    "bit after unrest": 341.334208,
    "presses": 31,
    "far presses": 1,
    "presses (0.02, 0.017)": 0,
    "presses (0.2, 0.1)": 0,
    "presses (0.03, 0.02)": 0,
    "bolt in a drip": 324.769154,
    "least blow": 1391.77003,
    "small bolt": 265.579546,
    "wrench in a stream": 1412.91392,
    "splash": 901.571327,
    "blow": 2219.6697,
    "blow that hides": 2256.56906,
    "plug falls": 1276.0931,
    "stream begins": 1036.42394,
    "stream ends": 647.732006,
    "knock": 209.579349,
    "gulp": 356.230142,
    "slow gulp": 164.753369,
    "taken as it runs over": 269.29463,
    "pressed as it runs over": 233.325737,
    "lifted and back": 1415.00209,
    "lightened": -881.383877,
    "taken off again": 829.283077,
    "air tool": 419.309798,
    "long air tool": 430.707174,
    "runs over, shaken": 454.906491,
    "runs over": 241.557383,
    "in the fill": 645.924091,
    "80 a second": 320.738272,
    "two a second": 310.380964,
    "one in three seconds": 218.446457,
    "hole": 811.251441,
    "hole in a slow one": 964.206965,
    "minutes apart": 217.786658,
    "one in twenty seconds": 1523.21145,
    "short hole": 591.586395,
    "off by little": 105.172591,
    "plug laid in": 1141.25435,
    "crumb laid in": 563.147168,
    "little knock": 103.717677,
    "laid in, shaken": 694.532746,
    "after the tool 0.08": 2046.79316,
    "after the tool -0.02": 630.278239,
    "after the tool -0.002": 183.736661,
    "after the tool 0.8": 630.245077,
    "little blow": 2157.14313,
    "nearly as heavy": 826.416875,
    "lighter by much": 849.92381,
    "fluid swings": 720.084646,
    "origins": 0,
    "drip": 764.868088,
    "a gulp in it": 6947.81931,
    "a flush in it": 11082.51,
    "an early gush": 4150.76675,
    "a slow swell": 4774.47574,
    "a gulp beside a flow": 3984.57991,
    "a break": 229.611214,
    "dries": -5978.17789,
    "long since": 126.050895,
    "hardly": -256.481665,
    "just now": 10053.18,
    "three blocks": -16657.8238,
    "after a thing": -8830.30132,
    "after a small thing": -8529.37307,
    "leak": 19982.7673,
    "leak's limit": 0.00451518437,
    "steady": 70.7825156,
    "burst": 194.769461,
    "mild burst": 73.0982405,
    "early burst": 202.277163,
    "new flow": 67.0721951,
    "long burst": 762.182291,
    "thick": 58.3510092,
    "a trickle": 27.3336054,
    "overrun": 479.065992,
    "its prior": 0,
    "its prior's doubt": 0,
    "its slope's doubt": 0,
    "longest": 2,
    "share": 0.3,
    "drum": 30.15,
    "short by": 0.445996398,
    "crumb 0.004": 0,
    "crumb 0.03": 0.03,
    "trains 100 110": 0.0125896783,
    "trains 1000 1015": 0.0015,
    "trains 1000 1030": 0.037529988,
    "trains 100 103": 0.0015,
    "trains 1000 1100": 0.125009,
    "expected cover removed None 60.0": 4.34057106,
    "expected cover removed None 2400.0": 3.32527441,
    "expected cover removed None None": 3.20256356,
    "expected cover removed Film(volume_l=0.02, u_l=0.004) 900.0": 3.19165808,
    "expected drain plug None 60.0": 4.34055021,
    "expected drain plug None 2400.0": 3.32525356,
    "expected drain plug None None": 3.20521073,
    "expected drain plug Film(volume_l=0.02, u_l=0.004) 900.0": 3.19453723,
    "expected suction None 60.0": 4.34055021,
    "expected suction None 2400.0": 3.32525356,
    "expected suction None None": 3.20521073,
    "expected suction Film(volume_l=0.02, u_l=0.004) 900.0": 3.19453723,
    "expected unread": 0.0381355078,
    "purge": 0.525,
    "level": 0.149818814,
    "arrival": 0.000921947569,
    "usual": 0.910256664,
    "bounds 4 1e-06": 0,
    "bounds 6 1e-06": 1.12,
    "bounds 6 0.01": 1.4,
    "bounds 60 1e-06": 1.12,
    "full at 0.5": 1,
    "full at 5.0": 0,
    "full at 20.0": 0,
    "full at 90.0": 0,
    "full at 900.0": 1,
    "scale off 1.05": 0,
    "scale off 1.5": 1,
    "scale off 0.95": 0,
    "bends 0.2": 0,
    "bends 4.0": 1,
    "nearly full": 3.05260569,
    "drain": 43.9397025,
    "thin stream": 50.951767,
    "little in all": 12.2121294,
    "gush": 148.772928,
    "slow gush": 143.719316,
    "breaks up": 47.5268827,
    "knocked twice": 52.0993799,
    "knocked again": 62.8064121,
    "fill": 1686.15511,
    "slow": 610.268146,
    "slower": 796.759869,
    "very slow": 741.208471,
    "kink": 1867.13026,
    "late start": 1687.05511,
    "one gap": 1172.99332,
    "deaf for a moment": 1214.40231,
    "deaf": 1153.42031,
    "leap": 1265.949,
    "small leap": 1225.242,
    "trains apart": 1350.80502,
    "trains apart a moment": 1686.15511,
    "siphon": 2052.972,
    "welded": 2509.572,
    "drips on": 1908.59,
    "pan taken": 1156.313,
    "pan lighter": 1720.08811,
    "runs over the lip": 1254.617,
    "laid in": 1716.17311,
    "warms": 1717.00297,
    "drum at the pump": 1124.38098,
    "converter late": 1282.57,
    "meter polled slowly": 369.958002,
    "siphon 0.3 0.0": 890.18,
    "siphon 0.3 10.6": 887.78,
    "siphon 0.3 13.0": 1701.65511,
    "siphon 3.0 0.0": 2510.019,
    "siphon 3.0 10.6": 1168.889,
    "siphon 3.0 13.0": 1902.65411,
    "siphon, polled slowly": 619.958002,
    "a gush after the stop": 2060.659,
    "let go": 968.283862,
    "let go soon": 692.201574,
    "top-up": 2903.35008,
    "two speeds": 899.35,
    "shaken": 1797.15511,
    "dribbles over": 1696.37311,
    "drops over": 1740.15511,
    "over at once": 3935.77505,
    "over after a while": 7606.89997,
    "never over": 13150.7749,
    "dribbles": 5139.38003,
    "never at rest": 17257.0098,
    "meter loses": 2782.62508,
    "seen early": 5,
    "thing laid in": 13168.1929,
}  # fmt: skip


if __name__ == "__main__":
    for name, probe in probes():
        print(f'    "{name}": {probe():.9g},')
