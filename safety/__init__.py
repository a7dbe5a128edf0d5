"""The guard and all it needs. Standard library only; imports nothing from controller or drivers."""
