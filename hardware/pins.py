"""Which pin belongs to what: one plan for the whole station, checked before anything is opened.

No library can do this check. gpiozero refuses a pin twice within itself but knows nothing of the pins that
the load-cell driver or the kernel's 1-Wire bus holds.
"""

from dataclasses import dataclass, fields, replace

from hardware.errors import PinFaults

LOWEST, HIGHEST = 0, 27
# GPIO 0 to 8 of every Pi wake up with a pull-up, 9 to 27 with a pull-down (BCM2835 ARM Peripherals,
# table 6-31). An active-high relay on a pulled-up pin may close while the Pi boots.
LOWEST_PULLED_DOWN = 9
EEPROM = (0, 1)
"""On these the firmware looks for a board's own EEPROM while the Pi starts, and drives them for it (from memory)."""
CONSOLE, CONSOLE_PINS = 14, (14, 15)
"""What a serial console writes on, from power-on, where one is on; and the port's two pins (from memory)."""
OUTPUTS_OFF_AT_BOOT = ("pump", "pump_fine", "pump_cutoff", "pump_watch", "lamp", "buzzer")


@dataclass(frozen=True)
class PinMap:
    """BCM numbers, 0 to 27, of everything the station is wired to; ``None`` where a part is not fitted.

    pan_dout, pan_sck: data and clock of the load-cell converter; pan_b_dout, pan_b_sck: of a second pan's. meter, meter_b: pulse trains.
    pump: the relay, active high. pump_fine: the pump's slow speed. pump_cutoff: a second contact in its circuit, closed
    while the guard is armed. pump_watch: toggles while the pump runs, for a hardware timer. pendant: the hold-to-run button, closing to ground.
    stop_sense: closed to ground while the hard-wired stop is not pressed. one_wire: the kernel's bus.
    """

    pan_dout: int = 5
    pan_sck: int = 6
    meter: int = 17
    meter_b: int | None = None
    pump: int = 22
    pendant: int = 23
    lamp: int | None = 24
    buzzer: int | None = 25
    stop_sense: int | None = 27
    one_wire: int | None = 4
    pump_fine: int | None = None
    pump_cutoff: int | None = None
    pump_watch: int | None = None
    pan_b_dout: int | None = None
    pan_b_sck: int | None = None

    def of_second(self) -> "PinMap | None":
        """The same plan with the two pans' converters in each other's place; None where no second one is on pins."""
        if self.pan_b_dout is None or self.pan_b_sck is None:
            return None
        return replace(
            self,
            pan_dout=self.pan_b_dout,
            pan_sck=self.pan_b_sck,
            pan_b_dout=self.pan_dout,
            pan_b_sck=self.pan_sck,
        )

    def used(self) -> dict[str, int]:
        """Owner -> BCM number, fitted parts only."""
        numbers = {field.name: getattr(self, field.name) for field in fields(self)}
        return {owner: number for owner, number in numbers.items() if number is not None}

    def faults(self) -> list[str]:
        """Get every fault of the plan, one sentence each; empty when it can be used."""
        found: list[str] = []
        if (self.pan_b_dout is None) != (self.pan_b_sck is None):
            missing, there = (
                ("pan_b_dout", "pan_b_sck") if self.pan_b_dout is None else ("pan_b_sck", "pan_b_dout")
            )
            found.append(
                f"pin of {missing} is missing beside {there}; a second pan's converter needs both of its wires."
            )
        owners: dict[int, str] = {}
        for owner, number in self.used().items():
            if isinstance(number, bool) or not isinstance(number, int):
                found.append(
                    f"pin of {owner} is {number!r}; expected a whole BCM number {LOWEST} to {HIGHEST}"
                )
                continue
            if not LOWEST <= number <= HIGHEST:
                found.append(
                    f"pin of {owner} is {number}; expected a BCM number {LOWEST} to {HIGHEST} "
                    "(not the position on the header). Look it up in the wiring guide."
                )
                continue
            if number in EEPROM:
                found.append(
                    f"pin of {owner} is {number}, on which the Pi looks for a board's own memory while it starts; "
                    f"move {owner} to a free pin."
                )
            if number in owners:
                found.append(
                    f"pin {number} is given to both {owners[number]} and {owner}; "
                    f"give {owner} a free pin and move its wire."
                )
            owners.setdefault(number, owner)
            if owner in OUTPUTS_OFF_AT_BOOT and number == CONSOLE:
                found.append(
                    f"pin of {owner} is {number}, which a serial console moves while the Pi boots and could switch the "
                    f"{owner} on; move it to a free pin."
                )
            if owner in OUTPUTS_OFF_AT_BOOT and EEPROM[-1] < number < LOWEST_PULLED_DOWN:
                found.append(
                    f"pin of {owner} is {number}, which is pulled up while the Pi boots and could switch "
                    f"the {owner} on; move it to a free pin {LOWEST_PULLED_DOWN} to {HIGHEST}."
                )
        return found

    def check(self) -> None:
        """Raise PinFaults listing all faults, or return when there is none."""
        found = self.faults()
        if found:
            raise PinFaults(found)
