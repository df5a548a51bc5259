"""Sign-in: who asks, what they may do, and the pages by which they come in and go.

``rights`` says as data what each route asks for; ``gate`` holds every request against it before a
route is reached. With the setting ``sign_in`` off the gate stands open.
"""
