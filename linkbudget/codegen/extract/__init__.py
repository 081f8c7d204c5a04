"""Extractors: receivers of text that cannot be changed, which pick out the wanted numbers byte by byte."""
