"""What a capture holds, in numbers: spectra, noise, resolution, limb."""
