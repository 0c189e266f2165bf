"""How fast a run is, beside the least code that does the core of the job; `make bench` runs it."""
