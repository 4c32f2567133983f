#error "this project was written only in part: write it again with slewsmith emit --as firmware"
