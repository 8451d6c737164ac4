"""The evidence pack for one complaint: data, verdict, blocks, and the page, paper and tables made of them."""
