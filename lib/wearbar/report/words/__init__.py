"""Sentences, captions and alternative texts, one module a question. A function takes a result and gives Markdown-safe text."""
