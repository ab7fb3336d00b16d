"""Figures, one module a question. A function takes a result and gives a matplotlib Figure; none computes, none touches pyplot."""
