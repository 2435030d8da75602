"""Papers a customer takes home: frozen figures in, HTML and PDF out. Nothing is computed here."""
