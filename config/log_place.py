"""Settings of where logs lie when it is not the fleet folder. Credentials are never settings."""

from __future__ import annotations

from dataclasses import dataclass

from trimkeep.config.fields import setting


@dataclass(frozen=True, slots=True)
class LogPlaceSettings:
    """Logs in object storage, laid out below the address as in a fleet folder."""

    address: str = setting(
        "",
        "Where logs are read from instead of the fleet folder, such as s3://bucket/fleet: below it lies a "
        "part for each airframe, named as its folder. Cards and journals stay in the fleet folder.",
    )
    endpoint: str = setting(
        "",
        "Address of the S3-compatible server, such as https://objects.example.org; empty means what "
        "AWS_ENDPOINT_URL or the credentials file says.",
    )
    tries: int = setting(
        4, "A request that the network failed is tried this often, with growing waits.", low=1, high=20
    )
