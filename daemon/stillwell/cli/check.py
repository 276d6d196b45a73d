import typer


def add_to(app: typer.Typer) -> None: ...
def print_review(*a):
    print(a[0].as_dict())
