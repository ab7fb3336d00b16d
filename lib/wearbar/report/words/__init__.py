"""Sentences and alternative texts, a module a question: a result in, Markdown-safe text out."""
