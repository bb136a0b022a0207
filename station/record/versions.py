"""What a shop's roll-up tells its bays version by version, and how far a bay is with it. Pure."""

from dataclasses import dataclass


@dataclass(frozen=True)
class At:
    """A version of what is told. series: whose versions they are, drawn when the roll-up entered the shop: another roll-up, one that
    was set up anew and another shop count their own. "" where a record or a roll-up is older than that."""

    version: int = 0
    series: str = ""

    def behind(self, newest: "At") -> int:
        """The version behind which a bay that is here goes on, where the roll-up is at the newest: all of it, where these are not
        the versions that it has had. One of no series is taken for this one's, unless it is ahead of it."""
        same = self.series == newest.series or not newest.series
        return self.version if same or (not self.series and self.version <= newest.version) else 0
