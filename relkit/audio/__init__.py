"""Opening files: head, essence, tail; raw frames to samples; encodings."""
