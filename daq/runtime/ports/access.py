"""Why the system refuses a port to this user, with the command that mends it."""

import shlex
import stat

from daq.runtime.ports.system import Group, System

_BOTH = stat.S_IRGRP | stat.S_IWGRP


def refusal(device: str, system: System) -> str | None:
    """Why this user may not open a device that is there; None where he may."""
    path = system.at(device)
    if system.may_open(path):
        return None
    try:
        found = path.stat()
    except OSError:
        return None
    group = system.group(found.st_gid)
    named = f"group {group.name!r}" if group else f"group number {found.st_gid}"
    person = system.person
    if found.st_mode & _BOTH != _BOTH or found.st_gid == 0:
        return (
            f"its permissions are {stat.filemode(found.st_mode)}, {named}: no group that could be joined lets users in;"
            " install the system's udev rules for serial adapters, and in a container hand the device's group on"
            " (--group-add)"
        )
    if found.st_gid in person.gids:
        return (
            f"you are in the {named} that owns it, so something else forbids it: in a container, hand the device in"
            " (--device); otherwise look for a security module's refusal with `sudo dmesg`"
        )
    return _not_in_group(group, named, person.name)


def _not_in_group(group: Group | None, named: str, person: str) -> str:
    if group is None:
        return f"it belongs to the {named}, which has no name here: in a container, hand that group on (--group-add)"
    if person and person in group.members:
        return (
            f"{person!r} is in the {named} that owns it, but joined it after this login began:"
            " log out of the desktop and in again (a new terminal is not enough)"
        )
    user = shlex.quote(person) if person else '"$USER"'
    who = repr(person) if person else "this user"
    return (
        f"it belongs to the {named} and {who} is not in it:"
        f" run `sudo usermod -aG {shlex.quote(group.name)} {user}`, then log out of the desktop and in again"
    )
