"""Formulas of the trade, pure: numbers in, numbers out, each with its units, validity and source."""
