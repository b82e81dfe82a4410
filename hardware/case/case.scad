// Case of the printed board: body with posts and openings, lid. Print in PETG or ABS (warm parts, oil), 0.2 mm
// layers, no supports: the body as it stands, the lid on its outer face. Plastic only: no metal insert may reach
// the 400 V or the isolated corner.
//   openscad -D 'part="body"' -o body.stl case.scad      part: "body" or "lid"
// Lengths in mm. x, y are the board's (layout/hand.py), from its top left corner, y downwards.

part = "body";
wall = 2.4;
gap = 0.8;             // between board and wall
board = [160, 100, 1.6];
below = 6;             // leads under the board
above = 24;            // C951 stands 16 to 20 mm high
post = 7;              // round the holes: nylon screw M3 from below, nylon nut on the board
$fn = 24;

// mounting holes of the board
holes = [[48, 4], [156.5, 96.5], [4, 53.3], [156, 30]];
// pads that carry the board where no screw may be: under bare board only
pads = [[3, 97], [62, 98]];
// [connector, side, centre along the side, width, height above the board's face, foot above it]
openings = [
  ["J601", "left",   13.8,  9, 10, 1],
  ["J801", "left",   43.5, 12, 12, 1],
  ["J701", "left",   71.1, 17, 12, 1],
  ["J501", "bottom", 71.1, 17, 12, 1],
  ["J401", "bottom", 88.6, 17, 12, 1],
  ["J301", "bottom", 103.5, 12, 12, 1],
  ["J201", "bottom", 117.0, 12, 9, 0],
  ["J101", "bottom", 130.5, 12, 9, 0],
  ["M1",   "right",  13.9, 13, 10, 8],
  ["J901", "right",  42.9, 17, 12, 1],
  ["J911", "right",  60.9, 17, 12, 1],
  ["J951", "right",  77.8,  9, 9, 0],
];
buttons = [[77.25, 6.25], [89.25, 6.25]];   // SW1, SW2, pressed through the lid
display = [63.8, 4];                          // J961, cable through the lid
vents = [[118, 40], [130, 40]];               // over the output transistors

inner = [board[0] + 2 * gap, board[1] + 2 * gap];
outer = [inner[0] + 2 * wall, inner[1] + 2 * wall];
face = wall + below + board[2];               // top of the board
high = face + above;

// board's x, y to the case's, y upwards
function at(p) = [wall + gap + p[0], wall + gap + board[1] - p[1]];

module block(size, r) {
  linear_extrude(size[2]) offset(r) translate([r, r]) square([size[0] - 2 * r, size[1] - 2 * r]);
}

module opening(o) {
  z = face + o[5];
  if (o[1] == "left")
    translate([-1, at([0, o[2]])[1] - o[3] / 2, z]) cube([wall + 2, o[3], o[4]]);
  if (o[1] == "right")
    translate([outer[0] - wall - 1, at([0, o[2]])[1] - o[3] / 2, z]) cube([wall + 2, o[3], o[4]]);
  if (o[1] == "bottom")
    translate([at([o[2], 0])[0] - o[3] / 2, -1, z]) cube([o[3], wall + 2, o[4]]);
}

module body() {
  difference() {
    block([outer[0], outer[1], high], 3);
    translate([wall, wall, wall]) block([inner[0], inner[1], high], 1);
    for (o = openings) opening(o);
    for (h = holes) translate([at(h)[0], at(h)[1], -1]) cylinder(d = 3.4, h = wall + 2);
  }
  difference() {
    union() {
      for (h = holes) translate([at(h)[0], at(h)[1], wall - 0.01]) cylinder(d = post, h = below + 0.01);
      for (p = pads) translate([at(p)[0], at(p)[1], wall - 0.01]) cylinder(d = 4, h = below + 0.01);
    }
    for (h = holes) translate([at(h)[0], at(h)[1], -1]) cylinder(d = 3.4, h = 40);
  }
}

module lid() {
  lip = 0.3;
  difference() {
    union() {
      block([outer[0], outer[1], wall], 3);
      translate([wall + lip, wall + lip, wall - 0.01]) difference() {
        block([inner[0] - 2 * lip, inner[1] - 2 * lip, 4], 1);
        translate([2, 2, -1]) block([inner[0] - 2 * lip - 4, inner[1] - 2 * lip - 4, 6], 1);
      }
    }
    // lid lies on its outer face: y is mirrored
    for (b = buttons) translate([at(b)[0], outer[1] - at(b)[1], -1]) cylinder(d = 4.5, h = wall + 8);
    translate([at(display)[0] - 7, outer[1] - at(display)[1] - 3, -1]) cube([14, 6, wall + 8]);
    for (v = vents) for (i = [0 : 4])
      translate([at(v)[0] - 5 + 2.5 * i, outer[1] - at(v)[1] - 8, -1]) cube([1.2, 16, wall + 2]);
  }
}

if (part == "body") body();
if (part == "lid") lid();
