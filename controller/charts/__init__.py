"""Figures from plain numbers, as SVG, as lines of a terminal, and as CSV with the same data.

What may enter: axes, marks, scales, layout. It knows no bath, no record and no file: whoever asks brings the numbers.
"""
