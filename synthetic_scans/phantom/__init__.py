"""The shoulder itself: what is where, in patient LPS mm."""
