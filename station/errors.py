"""Every error that a person can mend descends from one root, so that the command line can print one line."""


class StationError(Exception):
    """Something outside the program is wrong: a file, a setting, a request."""


class InputError(StationError, ValueError):
    """A file or a form does not say what was expected. The text names the place, the value and the remedy."""


class Asked(InputError):
    """Nothing is wrong with the form; figures contradict each other, and a person has to say which one holds."""


class LedgerError(StationError):
    """The record cannot be written, or what it holds does not hold together."""


class LedgerBusy(LedgerError):
    """Another process writes the record. Reading it is always possible."""
