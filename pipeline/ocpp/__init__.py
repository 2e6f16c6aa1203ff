"""What a message means, once: vocabulary, predicates, call–result pairing. Knows no storage."""
