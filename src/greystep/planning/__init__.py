"""A test planned before it is shot: what stands where, the order of frames, the folder that is written."""
