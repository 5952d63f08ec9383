"""The library as people use it: five kinds of service on one desk."""
