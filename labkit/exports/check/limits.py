"""The tolerances of every check on a written file, each in one place with its reason."""

from __future__ import annotations

#: A template only says what to look for: a fitting's radius may differ by this share from its
#: nominal and is still taken for that fitting (and then measured and judged).
FITTING_SEARCH_SHARE = 0.25
#: Two cylinders belong to one fitting when their axes are this close (a bore may be cut in two
#: faces or, on a mesh, be seen in pieces).
SAME_AXIS_MM = 0.05

#: STEP holds 13 digits: 60 mm to 1e-11. A curve lies in its vertices and surfaces to within a
#: hundred times that, and a direction is a unit vector.
STEP_ON_MM, STEP_UNIT = 1e-9, 1e-9
#: The kernel that made the solid takes what is shorter for nothing.
STEP_LEAST_MM = 1e-7
#: Angles and heights of a boundary that is closed, which are worked out from the above.
STEP_CLOSED = 1e-6
#: A file says that its points may be this uncertain at most.
STEP_UNCERTAINTY_MM = 1e-6
#: A functional length follows from two placements.
STEP_LENGTH_MM = 1e-6
#: Diameters in the STEP are plain numbers as well.
STEP_DIAMETER_MM = 1e-6
#: An axis in the STEP that should be parallel to y: sine of the angle to it.
STEP_AXIS_TILT = 1e-9
#: Bounding boxes follow from placements and radii; this is what the drawing leaves open.
STEP_BOX_MM = 1e-5
#: The volume of the STEP, an integral over its faces, agrees with the closed formulas of a rod to
#: 1e-11 of some 1,000 mm³; twelve decimals of its points move it by less.
STEP_VOLUME_MM3 = 1e-5

#: STL holds 24 bits: 60 mm / 2^24 is 4 nm a coordinate. The rest is room for the fit.
MESH_LENGTH_MM = 0.002
#: Vertices lie on the bore, pin or ball itself, so a fitted diameter does not shrink with facets.
MESH_DIAMETER_MM = 0.002
#: A bore or pin that leans by this sine moves its ends by 3 µm over 3 mm.
MESH_AXIS_TILT = 1e-3
#: Largest distance of a fitting's vertices from the fitted cylinder or sphere: they are written
#: on the surface, and float32 moves them by 4e-6 mm at most.
MESH_FORM_MM = 1e-4
#: Chord error of facets anywhere: 0.005 mm, and 5 % for rounding.
MESH_CHORD_MM = 0.00525
#: The same on the fittings themselves: bores and pins 0.0005 mm, balls 0.003 mm. A bore's flats are
#: then 0.001 mm nearer together than its corners, and gauge pins see the size that was asked.
CYLINDER_CHORD_MM, BALL_CHORD_MM = 0.00055, 0.00315
#: A facet between two points of a cylinder lies inside it by 2/3 of its chord error on average
#: (the mean height of a flat arc), which is what the volume loses.
MEAN_CHORD_SHARE = 2.0 / 3.0
#: Facets cut off at most the chord error at each side of the part.
MESH_BOX_MM = 0.00525

#: A fitting's centre across the rod (z), and the middle of the rod along x, in the rod frame.
FRAME_MM = 0.002

#: Facets of the label's face and floors look inward to within this cosine; the faces are planes.
FACE_COSINE = 0.9999
#: A floor lies at least this far below the label's face; less is not an engraving.
LEAST_FLOOR_MM = 0.05
#: Deeper than this is no floor of an engraving but another part of the rod, such as a lip's back.
MOST_FLOOR_MM = 1.5
#: Depth of the engraving against the template: floors are planes in the STL too.
LABEL_DEPTH_MM = 0.005
#: Position of the label's face along y.
LABEL_FACE_MM = 0.002
#: Height of the characters' outline, measured to a pixel.
LABEL_HEIGHT_SHARE = 0.05
#: Pixels of the depth picture for one character height: a stroke is then 6 to 9 pixels wide.
PIXELS_PER_HEIGHT = 64
#: A character is at least this like the drawn one (overlap / union); sampling costs under 0.1.
LEAST_SCORE = 0.80
#: A character must be this much more like the read one than like any other.
LEAST_MARGIN = 0.08
#: A case mark stands off from the label by at least this share of what its template asks for; the
#: widest gap within a label (0.4 heights, before L or R) is under 0.73 of that.
MARK_APART_SHARE = 0.8
#: Distance of the case mark from the label against the template: facets of round stroke ends.
MARK_APART_MM = 0.01
#: The outward face follows its smooth shape to within this, facets included.
OUTWARD_SMOOTH_MM = 0.01
#: Pixel of the depth picture of the outward face: finer than half of the narrowest stroke.
OUTWARD_PIXEL_MM = 0.08

#: 3MF text holds the float32 coordinates of the STL; lib3mf's decimals are one unit in the last
#: place off (1.9e-6 mm at 32 mm), whatever the digits.
PLATE_VERTEX_MM = 4e-6
#: Placements are sums of float32 numbers up to some 300 mm.
PLATE_PLACE_MM = 1e-3
