"""Electrical quantities: capacitance under load, discharge, windings, insulation, unbalance, voltage bands, temperature."""
