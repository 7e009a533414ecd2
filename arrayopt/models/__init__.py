"""Array models: from designs to the pressure and band of the whole array (M9)."""
