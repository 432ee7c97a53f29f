"""The key of this installation, which signs what enters the ledgers of its jobs.

An Ed25519 key (RFC 8032) in the user's data folder, made when it is first needed. Whoever has lost
it loses nothing else: jobs open as before, and their earlier entries are 'signed by another
installation'. Keys of before are kept beside the present one.
"""

from __future__ import annotations

import contextlib
import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logbench.errors import StorageError, UsageError
from logbench.recording.storage import (
    numbered,
    read_own,
    storage_trouble,
    unfinished,
    write_whole,
)
from logbench.system.limits import KEY_BYTES
from logbench.system.platforms import claim, data_home
from logbench.system.private import make_folder
from logbench.system.reading import read_plain
from logbench.words import tr

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

KEY_FILE = "key.pem"
_EARLIER = "key-earlier.pem"


@dataclass(frozen=True)
class Keys:
    """The keys of an installation in their folder; None: the user's data folder."""

    folder: Path | None = None

    @property
    def file(self) -> Path:
        """The file of the present key."""
        return (self.folder or data_home()) / KEY_FILE

    def own(self) -> Ed25519PrivateKey:
        """The present key; one that cannot be read is set aside, and a new one made. Raises
        StorageError."""
        found = read_own(self.file, KEY_BYTES, _private)
        if found is not None:
            return found
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        with storage_trouble(self.file):
            make_folder(self.file.parent)
            new = unfinished(self.file)
            write_whole(new, _pem(Ed25519PrivateKey.generate()))
            if not claim(new, self.file):  # another process was quicker
                new.unlink(missing_ok=True)
        return self._read(self.file)

    def present(self) -> Ed25519PrivateKey:
        """The present key as it is; none is made. Raises UsageError, StorageError."""
        return self._read(self.file)

    def public(self) -> frozenset[str]:
        """The public halves of all keys this installation has or had, 64 hex digits each."""
        found = set()
        for path in (self.file, *self._earlier()):
            with contextlib.suppress(UsageError, StorageError):
                found.add(public_of(self._read(path)))
        return frozenset(found)

    def back_up(self, path: Path) -> None:
        """Write the present key to a new file. Raises UsageError, StorageError."""
        if path.exists():
            raise UsageError(tr("{path} exists already: name a file that does not.", path=path))
        write_whole(path, _pem(self.own()))

    def restore(self, path: Path) -> None:
        """Sign with the key of a backup from now on; the present one is kept. Raises UsageError for
        a file that is none, StorageError."""
        data = _pem(self._read(path))
        with storage_trouble(self.file):
            make_folder(self.file.parent)
            if self.file.exists() and self.file.read_bytes() != data:
                aside = numbered(self.file.with_name(_EARLIER))
                self.file.rename(next(name for name in aside if not name.exists()))
        write_whole(self.file, data)

    def _earlier(self) -> list[Path]:
        return sorted(self.file.parent.glob(f"{Path(_EARLIER).stem}*.pem"))

    @staticmethod
    def _read(path: Path) -> Ed25519PrivateKey:
        with storage_trouble(path):
            try:
                return _private(read_plain(path, KEY_BYTES))
            except ValueError as error:
                raise UsageError(
                    tr("{path} holds no key of this program: choose a backup of one.", path=path)
                ) from error


def public_of(key: Ed25519PrivateKey) -> str:
    """Its public half, 64 hex digits."""
    return key.public_key().public_bytes_raw().hex()


def fingerprint(public: str) -> str:
    """A public key as people compare it, `3F2A 90C1 …`: the first 80 bits of its SHA-256."""
    digest = hashlib.sha256(public.encode()).hexdigest().upper()[:20]
    return " ".join(digest[at : at + 4] for at in range(0, 20, 4))


def is_signed(data: bytes, signature: str, public: str) -> bool:
    """Whether a signature of these bytes (hex) is by the key with this public half."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public))
        key.verify(bytes.fromhex(signature), data)
    except (ValueError, InvalidSignature):
        return False
    return True


def _private(data: bytes) -> Ed25519PrivateKey:
    """Raises ValueError for anything else."""
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        key = load_pem_private_key(data, password=None)
    except (TypeError, UnsupportedAlgorithm) as error:  # locked with a password, of another kind
        raise ValueError("no key that can be used") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise ValueError("a key of another kind")
    return key


def _pem(key: Ed25519PrivateKey) -> bytes:
    from cryptography.hazmat.primitives import serialization

    return key.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )
