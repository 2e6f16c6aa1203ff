"""Raw records in true time with canonical words."""
