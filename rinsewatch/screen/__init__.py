"""What the person sees: words, dashboard, chart, keys, plain and JSON lines."""
