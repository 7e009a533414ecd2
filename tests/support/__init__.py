"""What tests share: places, small studies, toy problems, outside values, a browser."""
