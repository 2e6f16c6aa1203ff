"""What must be made again for new rows."""
