"""Ohmpath: rule-based diagnosis of household appliances, as a stateless HTTP service."""

__version__ = "0.1.0"
