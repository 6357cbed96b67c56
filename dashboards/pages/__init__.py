"""One page of the board a file; each registers itself with `register(board)`."""
