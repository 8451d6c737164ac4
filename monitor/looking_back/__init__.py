"""Looking back on a roof: tables, the evidence on a complaint, and the data of pictures that prove findings."""
