"""Canonical bytes, keys, SSH signatures, trusted signers.

Modules, each using only those above it: ``canonical`` (RFC 8785, strict reading),
``files`` (small files, whole or not at all), ``public_key``, ``sshsig`` (sign and
verify), ``keys`` (private keys), ``allowed_signers`` (one line of the list),
``signers`` (the list). The cryptography library loads on first use only.
"""
