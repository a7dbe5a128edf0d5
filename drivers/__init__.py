"""The hardware abstraction layer: drives, wires, heads, inputs. Imports nothing from controller or safety."""
