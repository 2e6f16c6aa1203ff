"""What every room uses: errors, weeks, words for figures, progress, logs."""
