"""One module a command: parse, call, print. Heavy libraries are imported inside the functions."""
