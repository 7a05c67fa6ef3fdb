"""How far two scores of an unchanged person lie apart, and how well a test tells people apart."""
