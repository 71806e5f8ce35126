"""One file per command; parses, calls ``relkit.release``, prints."""
