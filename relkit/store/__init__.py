"""Chunks, codings, content, revisions, records, integrity; knows no music."""
