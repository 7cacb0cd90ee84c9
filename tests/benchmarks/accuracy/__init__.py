"""How often figures are right: long statistics over many pieces, a module a subject. They print; nothing asserts."""
