"""Every error that hardware raises, under one root."""


class HardwareError(Exception):
    """Something about a device, a pin or its set-up is wrong."""


class PinFaults(HardwareError, ValueError):
    """The pin plan contradicts itself. ``faults`` holds one sentence per fault, all of them."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("The pin plan cannot be used:\n" + "\n".join(f"- {fault}" for fault in faults))


class PinDirection(HardwareError, RuntimeError):
    """A pin was used against its direction: written while an input, or used before its set-up."""


class StartFaults(HardwareError):
    """Devices that could not be opened. ``faults`` holds one sentence per device, all of them."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("The rig could not be opened:\n" + "\n".join(f"- {fault}" for fault in faults))


class TimingFault(HardwareError):
    """A clock pulse to the load-cell converter came out too long: the chip may have powered down."""


class PulseSourceError(HardwareError):
    """The pulse input cannot be opened or read."""


class SerialFaults(HardwareError, ValueError):
    """The set-up of serial lines contradicts itself. ``faults`` holds one sentence per fault, all of them."""

    def __init__(self, faults: list[str]) -> None:
        self.faults = faults
        super().__init__("The serial lines cannot be used:\n" + "\n".join(f"- {fault}" for fault in faults))


class SerialPortError(HardwareError):
    """A serial port is there but cannot be opened."""


class GuardError(HardwareError):
    """The pump guard could not be started, or refuses to work."""
