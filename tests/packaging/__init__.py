"""Wheel and sdist: built, looked into, installed where no checkout is, and used."""
