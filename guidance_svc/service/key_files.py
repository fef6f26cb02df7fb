"""Key pairs as files: made, and read only where nobody else can read the secret."""

from __future__ import annotations

import os
import re
from pathlib import Path

import zmq.auth

from guidance_svc.errors import ConfigError
from guidance_svc.systems import open_to_others

SERVICE = "service"  # name of the service's own pair
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_\-]{0,63}")


def make_pair(folder: Path, name: str) -> tuple[Path, Path]:
    """Make NAME.key and NAME.key_secret; the folder is for its owner alone, and so is the secret file.

    Raises:
        ConfigError: one of them is there already, or the folder cannot be written to.
    """
    public, secret = folder / f"{name}.key", folder / f"{name}.key_secret"
    for path in (public, secret):
        if path.exists() or path.is_symlink():
            raise ConfigError("key_exists", "", "a name without keys; old keys are never overwritten", "", str(path))
    before = os.umask(0o077)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)
        zmq.auth.create_certificates(folder, name)
        secret.chmod(0o600)
        public.chmod(0o644)
    except OSError as error:
        got = error.strerror or str(error)
        raise ConfigError("cannot_write_keys", "", "a folder of your own", got, str(folder)) from None
    finally:
        os.umask(before)
    return public, secret


def read_public(path: Path, where: str) -> bytes:
    """The public key in a file, in text form.

    Args:
        where: key of the settings that names the file.

    Raises:
        ConfigError: missing or malformed.
    """
    return _read(path, where)[0]


def read_secret(path: Path, where: str) -> tuple[bytes, bytes]:
    """Public and secret key in a file, in text form.

    Raises:
        ConfigError: missing, malformed, or readable by others.
    """
    public, secret = _read(path, where)
    if secret is None:
        raise ConfigError("bad_key_file", where, "a file with a secret key", "a public key only", str(path))
    if open_to_others(path):
        mode = path.stat().st_mode & 0o777
        expected = f"a file that only its owner can read (chmod 600 {path})"
        raise ConfigError("key_readable_by_others", where, expected, f"mode {mode:04o}", str(path))
    return public, secret


def _read(path: Path, where: str) -> tuple[bytes, bytes | None]:
    expected = "a key file made by `guidance-svc keys`"
    try:
        public, secret = zmq.auth.load_certificate(path)
    except OSError as error:  # pyzmq says only "Invalid certificate file" where there is none
        got = error.strerror or "no such file"
        raise ConfigError("cannot_read_keys", where, expected, got, str(path)) from None
    except ValueError:  # its text may hold what stands in the file
        raise ConfigError("bad_key_file", where, expected, "another file", str(path)) from None
    if len(public) != 40 or (secret is not None and len(secret) != 40):
        raise ConfigError("bad_key_file", where, expected, "a key of another length", str(path))
    return public, secret


def make_keys(folder: Path, script: str | None) -> list[str]:
    """Make the service's pair where there is none, and that of a script; what to do next, line by line.

    Args:
        script: its name in service.toml; None for the service's pair alone.

    Raises:
        ConfigError: a bad name, or a pair that is there already.
    """
    if script is not None and (script == SERVICE or not NAME.fullmatch(script)):
        expected = f"letters, digits, _ and -, at most 64, and not {SERVICE}"
        raise ConfigError("bad_value", "NAME", expected, script)
    lines = []
    if script is None or not (folder / f"{SERVICE}.key").exists():
        public, secret = make_pair(folder, SERVICE)
        lines += [f"{public}  the service's public key: every script gets a copy", f"{secret}  stays here"]
    lines += ["In service.toml:", "", "[access]", f'keys = "{folder.as_posix()}"']
    if script is not None:
        public, secret = make_pair(folder, script)
        lines[:0] = [
            f"{secret}  the script's own: move it to the script's machine, by a way that nobody reads",
            f"{public}  stays here",
        ]
        lines += ["", f"[access.scripts.{script}]", f'public_key_file = "{public.name}"']
        lines += ['vehicles = ["NAME"]  # that it may command; "Barge*" stands for all that begin so']
    lines += ["", "Then `guidance-svc serve --zmq tcp://ADDRESS:5770`; README, Wider than this machine."]
    return lines
