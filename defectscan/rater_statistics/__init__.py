"""How alike raters judge: agreement, reliability, gauge studies, errors, on plain arrays."""
