"""What runs beside the engine and gets its record out of the house: copies in a second place, the roll-up."""

from pathlib import Path

from station.bay import health
from station.bay.engine import Engine
from station.bay.office import HttpOffice
from station.bay.sender import Sender, TakePeople
from station.common.words import N_
from station.given.config import BayConfig
from station.record.backup import Keeper


class Beside:
    """As the bay's file says. Raises InputError where the roll-up's token or certificate cannot be read."""

    def __init__(self, config: BayConfig) -> None:
        self._config = config
        self._office = None if config.roll_up is None else HttpOffice(config.roll_up)
        self._keeper: Keeper | None = None
        self._sender: Sender | None = None

    def begin(self, engine: Engine, take_people: TakePeople | None = None) -> None:
        """Have both go on from here, and the engine tell how they stand. take_people: as of ``Sender``."""
        config, rules = self._config, self._config.roll_up
        if self._office is not None and rules is not None:
            sender = Sender(
                config.ledger,
                self._office,
                rules.every_s,
                rules.batch,
                config.name,
                engine.software,
                take_lists=engine.entries.take_lists,
                take_people=take_people,
                take_fills=engine.entries.take_fills,
            )
            engine.watch(N_("roll-up"), lambda: health.roll_up_check(sender.standing))
            self._sender = sender
        if config.record.backup is not None:
            every_s = config.record.backup_every_min * 60.0
            keeper = Keeper(config.ledger, Path(config.record.backup), every_s)
            engine.watch(
                N_("backup"), lambda: health.backup_check(keeper.standing, health.BACKUP_LATE * every_s)
            )
            self._keeper = keeper

    def close(self) -> None:
        """To be called when the engine is closed, so that the last copy has everything."""
        if self._sender is not None:
            self._sender.close()
        if self._keeper is not None:
            self._keeper.close()
