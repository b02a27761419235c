"""Rounds in open formats: calendar (RFC 5545), GeoJSON (RFC 7946), GPX 1.1, CSV, a day sheet as PDF.

Nothing here holds a key, a code or, but for the sheet a technician carries, a phone number.
"""
