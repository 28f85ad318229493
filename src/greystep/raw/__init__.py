"""The bytes of a raw file to its mosaic: exposure data, levels, regions and blocks. It knows the ground files only."""
