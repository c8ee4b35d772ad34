import numpy as np

from heatwake.kernels.rectangles import equally_likely, pixel_window, smallest_containing

X, Y = np.arange(10) + 0.5, (np.arange(6) + 0.5)[::-1]
CENTRES, SIZES = np.array([[5.0, 5.0], [5.0, 5.0], [20.0, 5.0]]), np.array([[8.0, 8.0], [2.0, 2.0], [4.0, 4.0]])


def test_the_window_holds_the_pixels_whose_centres_are_inside():
    rows, columns = pixel_window((3.0, 2.0), (2.0, 4.0), x=X, y=Y)
    assert X[columns].tolist() == [2.5, 3.5]
    assert Y[rows].tolist() == [3.5, 2.5, 1.5, 0.5]


def test_a_rectangle_smaller_than_a_pixel_takes_the_nearest():
    rows, columns = pixel_window((3.1, 2.2), (0.2, 0.2), x=X, y=Y)
    assert (X[columns].tolist(), Y[rows].tolist()) == ([3.5], [2.5])


def test_a_point_belongs_to_the_smallest_rectangle_round_it():
    assert smallest_containing((5.5, 5.5), centres=CENTRES, sizes=SIZES, margin=1) == 1
    assert smallest_containing((8.0, 5.0), centres=CENTRES, sizes=SIZES, margin=1) == 0


def test_a_point_just_outside_belongs_to_the_nearest():
    assert smallest_containing((22.5, 5.0), centres=CENTRES, sizes=SIZES, margin=1) == 2
    assert smallest_containing((24.0, 5.0), centres=CENTRES, sizes=SIZES, margin=1) is None


def test_a_point_as_near_to_two_rectangles_is_ambiguous():
    centres, sizes = np.array([[2.0, 5.0], [10.0, 5.0]]), np.array([[4.0, 4.0], [4.0, 4.0]])
    options = {"centres": centres, "sizes": sizes, "margin": 3.0, "tolerance": 0.5}
    assert equally_likely((6.0, 5.0), **options).tolist() == [0, 1]
    assert equally_likely((5.5, 5.0), **options).tolist() == [0]  # 1.5 and 2.5 mm away
    assert equally_likely((6.0, 5.0), **options | {"margin": 1.0}).tolist() == []


def test_within_two_rectangles_only_equal_sizes_are_ambiguous():
    centres = np.array([[5.0, 5.0], [6.0, 5.0], [6.0, 5.0]])
    sizes = np.array([[4.0, 4.0], [4.0, 4.0], [8.0, 8.0]])
    options = {"centres": centres, "margin": 1.0, "tolerance": 0.5}
    assert equally_likely((5.5, 5.0), sizes=sizes, **options).tolist() == [0, 1]
    assert equally_likely((9.0, 5.0), sizes=sizes, **options).tolist() == [2]
