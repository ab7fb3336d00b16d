"""Figures, one module a question. A result goes in, a Figure comes out; none touches pyplot."""
