"""What drives an array, each a module: slow sweeps, bursts, chirps; of any model (M8, M10)."""
