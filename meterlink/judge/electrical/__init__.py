"""Electrical quantities: capacitance under load, discharge, windings, insulation, unbalance, bands, temperature."""
