"""Whether the pages may be served as asked: what is reached from further away asks for more."""

from station.errors import InputError
from station.people.access import Access
from station.people.people import Role
from station.people.store import People


def entrance(people: People, *, loopback: bool, simulated: bool, tls: bool, named: bool) -> Access:
    """Who may come in under these circumstances. Raises InputError, saying how, where nobody should be served so.

    loopback: the pages are reached from this machine alone. named: they are reached from elsewhere all the same,
    through a reverse proxy on this machine.
    """
    if simulated and loopback and not named:
        return Access(None)
    if not loopback and not tls:
        raise InputError(
            "Beyond this machine the pages are only served under TLS. Make a certificate with tallypan certificate "
            "NAME and name its two files in [serve] of the bay's file, or with --certificate and --key. Or leave --host "
            "out and put a reverse proxy on this machine before the station (README.md)."
        )
    if (not loopback or named) and not people.has_owner():
        raise InputError(
            "Beyond this machine the pages are served only once people are set up. Run tallypan people add NAME "
            f"--role {Role.OWNER}, with the same --config: it prints a code with which the owner signs in."
        )
    return Access(people)
