"""Reading tables of comma-separated values, as spreadsheets write them."""
