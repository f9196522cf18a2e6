"""What people read: one page of HTML about all animals of an assessment, and a printed page about each.

Everything comes from the record that `clawvision assess` wrote; nothing is judged again. The page needs Jinja2 (the
extra ``report``) and the printed pages need fpdf2 (the extra ``print``).
"""
