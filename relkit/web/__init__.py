"""Pages: one self-contained HTML file each, readable without a network and without a script."""
