"""relkit: one song's release as a signed, versioned repository."""
