"""How accurate and how fast fieldscore is: scripts anyone can run, outside the package. They write docs/accuracy.md and docs/performance.md."""
