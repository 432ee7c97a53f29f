"""Expressions over signals: one grammar for what is derived, found, checked, marked and archived.

`grammar` reads the text, `checked` gives every part its unit, `evaluate` computes it over traces.
docs/expressions.md is the user's page.
"""
