"""Studies: long simulations whose tables stand in the documents."""
