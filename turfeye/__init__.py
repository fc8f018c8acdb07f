"""Measure lawns from dated phone photos with a printed reference card in the picture."""
