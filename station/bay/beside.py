"""What runs beside the engine and gets its record out of the house: copies in a second place, the roll-up, notices."""

from pathlib import Path
from typing import TYPE_CHECKING

from station.bay import health
from station.bay.engine import Engine
from station.bay.notice_book import EVENT, NoticeBook
from station.bay.office import HttpOffice
from station.bay.sender import Sender, TakePeople
from station.common.words import N_
from station.given.config import BayConfig
from station.given.receivers import of_a_bay
from station.record.backup import Keeper

if TYPE_CHECKING:
    from station.bay.notifying import Aside


class Beside:
    """As the bay's file says. Raises InputError where the roll-up's token, the receivers or a certificate cannot be read."""

    def __init__(self, config: BayConfig) -> None:
        self._config = config
        self._office = None if config.roll_up is None else HttpOffice(config.roll_up)
        self._receivers = () if config.notices is None else of_a_bay(config.notices)
        self._keeper: Keeper | None = None
        self._notices: Aside | None = None
        self._sender: Sender | None = None

    def begin(self, engine: Engine, take_people: TakePeople | None = None) -> None:
        """Have all go on from here, and the engine tell how they stand. take_people: as of ``Sender``."""
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

        if self._receivers:
            # Loaded where it is used: with what speaks HTTP it takes a bay 15 MB and a second of its start.
            from station.bay.notifying import Aside, Notifying

            book = NoticeBook(config, lambda body: engine.entries.note(EVENT, body))
            self._notices, engine.notices = Aside(Notifying(book, self._receivers)), book
            engine.watch(N_("notices to other systems"), lambda: health.notices_check(book.lacking()))

    def hush(self) -> None:
        """To be called before the engine is closed: what is told is noted in its record."""
        if self._notices is not None:
            self._notices.close()

    def close(self) -> None:
        """To be called when the engine is closed, so that the last copy has everything."""
        if self._sender is not None:
            self._sender.close()
        if self._keeper is not None:
            self._keeper.close()
