"""What people see. Nothing here is computed anew.

Words, then tables, figures and files, then pages; `README.md` names the columns and the JSON.
"""
