"""How kernels are compiled, spread over threads, and copy their rows."""
