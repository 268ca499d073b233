"""Signal estimation and decoding of two-wire links: samples and a rate in, bits and their certainty out."""
