"""Reports on paper and in spreadsheets: any report as tables, and the tables as CSV, XLSX and PDF. It knows no report."""
