"""Code for both ends of a link, made from its description."""

from linkbudget.codegen.generate import generate

__all__ = ["generate"]
