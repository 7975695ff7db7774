"""Requirements, verdicts, remedies, figures, report."""
