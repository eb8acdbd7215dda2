"""Showing results: plain-data views first, then the faces that are made from them."""
