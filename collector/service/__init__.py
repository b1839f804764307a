"""The loop that takes, keeps and acknowledges; how it ends; the parts of many tanks."""
