"""Physics as pure functions of arrays: SI units in, SI units out; knows no study and no file."""
