"""Budgets on paper: byte times, response times."""
