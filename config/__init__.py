"""What the plant is: records, units, the plant file. Imports nothing else of the project."""
