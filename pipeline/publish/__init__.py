"""The week: its tables, folder, sheets and pages, complete or absent."""
