"""Numbers from thermal recordings of fan-cooled electronics seen through a film lid."""

__version__ = "0.1.0"
