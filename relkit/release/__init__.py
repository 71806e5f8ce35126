"""The verbs, one file each, and the public Python API."""
