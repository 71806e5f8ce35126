"""A revision becomes a package: names, notes, artwork, archive."""
