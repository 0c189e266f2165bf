"""Statistics: arrays in, frozen results out. Imports nothing of the other folders."""
