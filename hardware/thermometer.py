"""Thermometers on the kernel's 1-Wire bus, read from its files."""

import errno
import time
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from hardware.sample import Sample
from hardware.ticker import Ticker

POWER_ON_MC = 85_000  # a DS18B20 answers this before its first conversion (DS18B20 datasheet)
POWER_ON_READS = 3  # so often in a row and it is not a warm fluid but a sensor that keeps resetting
LOWEST_C, HIGHEST_C = -55.0, 125.0  # DS18B20 datasheet
GONE = (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.ENOTDIR)


class Thermometers:
    """Emits ``<source>`` in °C and ``<source>_state`` in ok, unplugged, bad (on change).

    sensors: source name -> the device's folder, as /sys/bus/w1/devices/28-...; its file ``temperature`` holds
    millidegrees. A read takes about 0.75 s on a Pi, so each sensor has a thread of its own.
    """

    def __init__(
        self,
        sensors: Mapping[str, Path],
        put: Callable[[Sample], None],
        clock: Callable[[], float] = time.monotonic,
        interval_s: float = 1.0,
    ) -> None:
        self._sensors = {source: Path(path) / "temperature" for source, path in sensors.items()}
        self._put, self._clock = put, clock
        self._states: dict[str, str] = {}
        self._power_on_reads = dict.fromkeys(self._sensors, 0)
        self._tickers = [
            Ticker(source, partial(self._read, source), interval_s, clock=clock) for source in self._sensors
        ]

    def poll(self) -> None:
        """Read every sensor once."""
        for source in self._sensors:
            self._read(source)

    def start(self) -> None:
        for ticker in self._tickers:
            ticker.start()

    def stop(self) -> None:
        for ticker in self._tickers:
            ticker.stop()

    def _read(self, source: str) -> None:
        try:
            text = self._sensors[source].read_text(encoding="ascii")
            millidegrees = int(text)
        except OSError as error:
            self._become(source, "unplugged" if error.errno in GONE else "bad")
            return
        except ValueError:  # empty, cut short or not ASCII: the kernel gives no number when the CRC fails
            self._become(source, "bad")
            return
        if millidegrees == POWER_ON_MC:
            self._power_on_reads[source] += 1
            if self._power_on_reads[source] >= POWER_ON_READS:
                self._become(source, "bad")
            return
        self._power_on_reads[source] = 0
        temperature_c = millidegrees / 1000
        if not LOWEST_C <= temperature_c <= HIGHEST_C:
            self._become(source, "bad")
            return
        self._become(source, "ok")
        self._put(Sample(self._clock(), source, temperature_c))

    def _become(self, source: str, state: str) -> None:
        if self._states.get(source) != state:
            self._states[source] = state
            self._put(Sample(self._clock(), f"{source}_state", state))
