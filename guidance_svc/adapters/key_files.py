"""Key pairs as files: made, and read only where nobody else can read the secret."""

from __future__ import annotations

import os
from pathlib import Path

import zmq.auth

from guidance_svc.errors import ConfigError

SERVICE = "service"  # name of the service's own pair


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
    mode = path.stat().st_mode & 0o777
    if os.name == "posix" and mode & 0o077:
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
