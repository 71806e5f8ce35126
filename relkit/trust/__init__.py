"""Canonical bytes, keys, SSH signatures, trusted signers."""
