"""The sheet that goes to the bench: one content, as HTML for A4 and as PDF."""
