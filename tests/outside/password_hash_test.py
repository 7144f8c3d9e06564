"""Password hashes against the standard's own test vector."""

from __future__ import annotations

import base64

from trimkeep.service.web.passwords import password_fits

# RFC 7914, section 12, third vector: scrypt (P="password", S="NaCl", N=1024, r=8, p=16, dkLen=64).
# From memory. The last step is PBKDF2 with blocks of 32 bytes, so its first 32 bytes are those for dkLen=32.
EXPECTED = "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"


def test_scrypt_is_that_of_the_rfc() -> None:
    salt = base64.b64encode(b"NaCl").decode()
    digest = base64.b64encode(bytes.fromhex(EXPECTED)).decode()
    assert password_fits("password", f"scrypt$1024$8$16${salt}${digest}")
    assert not password_fits("passwore", f"scrypt$1024$8$16${salt}${digest}")
