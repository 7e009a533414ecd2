"""What computes a run: worker processes, clusters, kernels compiled ahead."""
