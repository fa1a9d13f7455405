"""The version, once: the distribution, the command and every output read it here."""

__version__ = "0.1.0"
