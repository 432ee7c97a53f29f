"""The Qt workstation; the only package that imports Qt."""
