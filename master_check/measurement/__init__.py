"""Every meter over a source in one pass, what comes out, and what is kept between runs."""
