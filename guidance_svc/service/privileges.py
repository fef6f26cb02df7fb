"""Giving up root: after the sockets are bound, before the first file is made."""

from __future__ import annotations

import logging
import os

from guidance_svc.errors import ConfigError

_log = logging.getLogger(__name__)


def drop_privileges(user: str) -> None:
    """Go on as another user, with that user's groups, for good.

    Args:
        user: name, as in the password file.

    Raises:
        ConfigError: no such user, the process may not change, or it could come back.
    """
    try:
        import pwd
    except ImportError:
        raise ConfigError("cannot_change_user", "--user", "a system with users (POSIX)", user) from None
    try:
        entry = pwd.getpwnam(user)
    except (KeyError, ValueError):
        raise ConfigError("unknown_user", "--user", "the name of a user of this machine", user) from None
    if os.geteuid() == entry.pw_uid:
        return
    if os.geteuid() != 0:
        raise ConfigError("cannot_change_user", "--user", "a service started as root", f"user id {os.geteuid()}")
    try:
        os.setgroups(os.getgrouplist(user, entry.pw_gid))
        os.setgid(entry.pw_gid)
        os.setuid(entry.pw_uid)
    except OSError as error:
        got = error.strerror or str(error)
        raise ConfigError("cannot_change_user", "--user", f"a process that may become {user}", got) from None
    if entry.pw_uid != 0 and 0 in ids():
        raise ConfigError("cannot_change_user", "--user", "a user that cannot become root again", user)


def ids() -> tuple[int, ...]:
    """The user and group ids that this process may go back to; without the saved ones where the system hides them."""
    if hasattr(os, "getresuid"):
        return (*os.getresuid(), *os.getresgid())
    return (os.getuid(), os.geteuid(), os.getgid(), os.getegid())


def warn_of_root() -> None:
    """Say so where the service runs as root."""
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        _log.warning("running as root; `--user NAME` goes on as NAME once the sockets are bound")
