"""Weather of a place from services on the internet: what is asked, how it is carried, what the answer means."""
