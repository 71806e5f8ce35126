"""The example release: one invented song, rendered from code in every version of its pack."""
