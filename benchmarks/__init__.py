"""How accurate and how fast fieldscore is: scripts outside the package, which write docs/accuracy.md and docs/performance.md."""
