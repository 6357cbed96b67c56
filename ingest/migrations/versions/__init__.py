"""One file a schema step, in order of its revision number."""
