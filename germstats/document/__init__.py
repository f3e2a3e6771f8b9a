"""How answers are shown, whatever the question: sentences, tables, blocks, figures, pages."""
