"""Credentials that mean nothing; looked for in everything that is written or said."""

from __future__ import annotations

KEY_ID, SECRET = "key-of-the-tests", "secret-of-the-tests-0815"
CREDENTIALS = {
    "AWS_ACCESS_KEY_ID": KEY_ID,
    "AWS_SECRET_ACCESS_KEY": SECRET,
    "AWS_DEFAULT_REGION": "us-east-1",
    "AWS_EC2_METADATA_DISABLED": "true",
}
