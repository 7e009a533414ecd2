"""Arrays as receivers: response, noise, and what a matched filter makes of both (M14)."""
