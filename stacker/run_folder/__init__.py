"""The run folder of one capture: images, frame table, measurements and settings, written together."""
