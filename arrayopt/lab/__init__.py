"""From measurements to a calibrated model, and a made chip against its prediction."""
