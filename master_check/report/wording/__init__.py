"""Every sentence the tool says, a file for each subject: figures in, plain English out.

The rooms above give figures and kinds; what they mean is put into words here, once, for the terminal, JSON and HTML.
"""
