"""The kinds of steps that a plan is made of. Each says in a sentence what it will do."""

from dataclasses import dataclass
from pathlib import Path

from station.commands.installing import places


@dataclass(frozen=True)
class Packages:
    """Debian's packages, through apt. for_pdf: those of them that only a sheet as a PDF needs."""

    names: tuple[str, ...]
    for_pdf: tuple[str, ...] = ()

    def says(self) -> str:
        vital = [name for name in self.names if name not in self.for_pdf]
        parts = [", ".join(vital)] if vital else []
        parts += [f"{', '.join(self.for_pdf)}, with which a sheet becomes a PDF"] if self.for_pdf else []
        return f"install the system's packages {'; '.join(parts)}"


@dataclass(frozen=True)
class Accounts:
    """The service's user and its groups, as sysusers.d(5) has them."""

    user: str
    groups: tuple[str, ...]

    def says(self) -> str:
        return f"make the user {self.user}, who signs in nowhere, in the groups {', '.join(self.groups)}"

    def text(self) -> str:
        rows = [f"g {group} -" for group in self.groups]
        rows += [f'u {self.user} - "Tallypan station" {places.STATE}']
        return "\n".join(rows + [f"m {self.user} {group}" for group in self.groups]) + "\n"


@dataclass(frozen=True)
class Folder:
    path: Path
    mode: int
    owner: str = "root"

    def says(self) -> str:
        return f"make the folder {self.path}, of {self.owner}, mode {self.mode:04o}"


@dataclass(frozen=True)
class Write:
    """keep: what stood there is kept beside it, with this ending."""

    path: Path
    text: str
    what: str
    mode: int = 0o644
    keep: str = ""

    def says(self) -> str:
        return f"write {self.path}: {self.what}"


@dataclass(frozen=True)
class Environment:
    """A release: an environment of its own with what requirements.lock names, each file known by its hash, and the station.

    beside: whether the system's own Python packages are seen too. without: what is taken from there instead.
    """

    name: str
    source: Path
    version: str
    beside: bool = False
    without: tuple[str, ...] = ()
    wheels: Path | None = None

    @property
    def path(self) -> Path:
        return places.RELEASES / self.name

    def says(self) -> str:
        start = "the package index" if self.wheels is None else str(self.wheels)
        left = f", but {', '.join(self.without)} from the system" if self.without else ""
        return (
            f"make {self.path}: version {self.version} from {self.source} with the packages of requirements.lock from "
            f"{start}, each known by its hash{left}; this takes minutes"
        )


@dataclass(frozen=True)
class CheckBay:
    """Have a release judge the bay's file."""

    release: str

    def says(self) -> str:
        return f"have the release {self.release} check {places.BAY_FILE}"


@dataclass(frozen=True)
class Certificate:
    name: str

    def says(self) -> str:
        return f"make a certificate for {self.name} in {places.STATE}, so that the pages come under TLS"


@dataclass(frozen=True)
class Owner:
    name: str

    def says(self) -> str:
        return f"enter {self.name} as the owner, and print the code with which the owner signs in"


@dataclass(frozen=True)
class Switch:
    """current: the release that runs from here on. previous: the one to go back to."""

    current: str
    previous: str | None

    def says(self) -> str:
        rest = "" if self.previous is None else f"; {self.previous} is kept for the way back"
        return f"have {places.CURRENT} stand for {self.current}{rest}"


@dataclass(frozen=True)
class Service:
    """verb: of systemctl. started: whether programs run, so that the manager has to be told."""

    verb: str

    def says(self) -> str:
        words = {
            "enable": "have the service start with the system",
            "restart": "restart the service",
            "start": "start the service",
            "disable": "stop the service, its pump first, and have it start no more",
        }
        return words[self.verb]


@dataclass(frozen=True)
class Healthy:
    """well: names of the checks that may not be worse than they were."""

    address: str
    well: tuple[str, ...] = ()
    limit_s: float = 90.0

    def says(self) -> str:
        rest = f", and what was well before is well: {', '.join(self.well)}" if self.well else ""
        return f"wait until {self.address} answers{rest}; at most {self.limit_s:.0f} s"


@dataclass(frozen=True)
class PutBack:
    """The record as it was before a newer release brought it up. known: copies that were there before."""

    known: tuple[str, ...]

    def says(self) -> str:
        return "put the record back in its older form, where the newer release had changed it"


@dataclass(frozen=True)
class Remove:
    path: Path
    what: str

    def says(self) -> str:
        return f"remove {self.path}: {self.what}"


Step = (
    Packages | Accounts | Folder | Write | Environment | CheckBay | Certificate | Owner | Switch | Service
    | Healthy | PutBack | Remove
)  # fmt: skip
